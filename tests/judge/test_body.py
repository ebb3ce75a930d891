"""Entries as plain JSON and back."""

from __future__ import annotations

import json
import math
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as hy

from capture.errors import IntegrityError
from capture.judge import Advice, Entry, Verdict, Warned, entry_from_body, entry_to_body
from capture.judge.body import plain
from capture.judge.entry import Outcome, Severity, Status

texts = hy.text(max_size=20)
maybe = hy.none() | texts
values = hy.recursive(
    hy.none() | hy.booleans() | hy.integers(-(2**53), 2**53) | hy.floats(allow_nan=False, allow_infinity=False) | texts,
    lambda inner: hy.lists(inner, max_size=3) | hy.dictionaries(texts, inner, max_size=3),
    max_leaves=8,
)
verdicts = hy.builds(Verdict, hy.sampled_from(get_args(Outcome)), texts, texts, maybe, maybe, maybe, texts, texts)
warnings = hy.builds(Warned, texts, hy.sampled_from(get_args(Severity)), texts, texts)
entries = hy.builds(
    Entry,
    kind=texts,
    stage=maybe,
    subject=maybe,
    status=hy.sampled_from(get_args(Status)),
    words=texts,
    data=hy.dictionaries(texts, values, max_size=4),
    verdict=hy.none() | verdicts,
    warnings=hy.lists(warnings, max_size=3).map(tuple),
    advice=hy.none() | hy.builds(Advice, texts, texts),
    replaces=maybe,
)


@given(entries)
def test_round_trip_through_json(entry: Entry) -> None:
    body = json.loads(json.dumps(entry_to_body(entry), allow_nan=False))
    assert entry_from_body(body) == entry
    assert entry_from_body({**body, "media": [], "heard": {"text": ""}}) == entry


def test_what_json_cannot_hold_becomes_plain() -> None:
    given_ = {
        "amount": Decimal("1.10"), "turns": Fraction(1, 12), "due": date(2026, 1, 31), "at": (1, [math.nan, math.inf]),
        3: {"x"}, "odd": object,
    }  # fmt: skip
    assert plain(given_) == {
        "amount": "1.10", "turns": "1/12", "due": "2026-01-31", "at": [1, [None, None]], "3": ["x"],
        "odd": "<class 'object'>",
    }  # fmt: skip


def body() -> dict[str, Any]:
    warned = Warned("guard_band", "warning", "a", "b")
    verdict = Verdict("pass", "simple", "1", None, None, None, "mm", "s")
    return entry_to_body(Entry("note", None, None, "accepted", "w", {}, verdict, (warned,), Advice("a", "c")))


@pytest.mark.parametrize("key", list(body()))
def test_a_missing_key_is_refused(key: str) -> None:
    with pytest.raises(IntegrityError, match="verify the record"):
        entry_from_body({name: value for name, value in body().items() if name != key})


@pytest.mark.parametrize(
    "wrong",
    [
        {"kind": 3}, {"status": "perhaps"}, {"data": []}, {"verdict": {}}, {"verdict": "pass"}, {"warnings": [{}]},
        {"warnings": 3}, {"warnings": ["x"]}, {"advice": {"sentence": None}}, {"replaces": 7}, {"stage": 1},
    ],
)  # fmt: skip
def test_a_wrong_value_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(IntegrityError, match="not that of an entry"):
        entry_from_body({**body(), **wrong})
