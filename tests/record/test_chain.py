from __future__ import annotations

import json
import math
import struct
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from capture.record import Record
from capture.record.chain import GENESIS, canonical, list_hash, load, load_canonical, row_hash

# RFC 8785 appendix B (values typed from memory of it): the double's bits, and how it must be written.
APPENDIX_B = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]


@pytest.mark.parametrize(("bits", "text"), APPENDIX_B)
def test_numbers_of_rfc_8785_appendix_b(bits: str, text: str) -> None:
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical(number) == text
    assert canonical(load(text)) == text


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf, 2**53])
def test_numbers_without_a_canonical_form_are_refused(number: float) -> None:
    with pytest.raises(ValueError):
        canonical(number)


def test_the_sample_of_rfc_8785_section_3_2_2() -> None:
    sample = json.loads(
        r'{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],'
        r' "string": "\u20ac$\u000F\u000aA\u0027\u0042\u0022\u005c\\\"\/", "literals": [null, true, false]}'
    )
    wanted = (
        r'{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        r'"string":"€$\u000f\nA' + "'" + r'B\"\\\\\"/"}'
    )
    assert canonical(sample) == wanted


def test_the_sorting_of_rfc_8785_section_3_2_3() -> None:
    sample = json.loads(
        r'{"\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh", "1": "One",'
        r' "\ud83d\ude00": "Emoji: Grinning Face", "\u0080": "Control",'
        r' "\u00f6": "Latin Small Letter O With Diaeresis"}'
    )
    assert list(json.loads(canonical(sample)).values()) == [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]


JSON: st.SearchStrategy[Any] = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(st.characters(exclude_categories=["Cs"])), inner),
    max_leaves=12,
)


@given(JSON)
def test_canonical_text_read_back_is_the_same_text(value: Any) -> None:
    text = canonical(value)
    assert canonical(load(text)) == text
    assert load(text) == value


@given(JSON)
def test_the_fast_check_agrees_with_the_canonical_writer(value: Any) -> None:
    text = canonical(value)
    assert load_canonical(text) == (value, True)
    for other in (json.dumps(value), json.dumps(value, ensure_ascii=False, separators=(",", ":"))):
        assert load_canonical(other) == (value, other == text)


@pytest.mark.parametrize(
    "text",
    [
        "5.0",
        "1e2",
        "-0",
        "0.10",
        "1E+21",
        "[1, 2]",
        '{"b":1,"a":2}',
        '"\\u0041"',
        '"\\/"',
        '{"\ufb33":1,"\U0001f600":2}',
    ],
)
def test_text_that_is_not_canonical_is_seen(text: str) -> None:
    json.loads(text)
    assert not load_canonical(text)[1]


@pytest.mark.parametrize(("bits", "text"), APPENDIX_B)
def test_canonical_numbers_are_taken_for_such(bits: str, text: str) -> None:
    assert load_canonical(f"[{text}]")[1]


@given(st.from_regex(r"-?(0|[1-9][0-9]{0,24})(\.[0-9]{1,20})?([eE][-+]?[0-9]{1,3})?", fullmatch=True))
def test_numbers_in_any_writing_are_judged_as_the_canonical_writer_does(number: str) -> None:
    """Against rfc8785: the quick writer must never pass for canonical what the other writes in another way."""
    text = f'{{"a":[{number}]}}'
    try:
        expected = rfc8785.dumps(load(text)).decode() == text
    except ValueError:
        with pytest.raises(ValueError):
            load_canonical(text)
    else:
        assert load_canonical(text)[1] == expected


@given(st.dictionaries(st.text(st.characters(exclude_categories=["Cs"])), st.text()))
def test_texts_and_keys_of_any_script_are_judged_as_the_canonical_writer_does(value: dict[str, str]) -> None:
    """Keys beyond U+FFFF sort differently, and half a pair of surrogates has no form at all."""
    for text in (json.dumps(value, ensure_ascii=False, separators=(",", ":"), sort_keys=True), json.dumps(value)):
        try:
            expected = rfc8785.dumps(value).decode() == text
        except ValueError:
            with pytest.raises(ValueError):
                load_canonical(text)
        else:
            assert load_canonical(text)[1] == expected


@given(st.lists(st.text(st.characters(exclude_categories=["Cs"]))))
def test_the_hash_of_a_list_is_that_of_the_canonical_writer(hashes: list[str]) -> None:
    assert list_hash(hashes) == sha256(rfc8785.dumps(hashes)).hexdigest()


@pytest.mark.parametrize("text", ["NaN", "[Infinity]", '{"a":-Infinity}', '{"a":[1,NaN]}'])
def test_what_is_no_json_is_not_taken_for_it(text: str) -> None:
    with pytest.raises(ValueError, match="is no JSON"):
        load_canonical(text)


TEXT = st.text(st.characters(exclude_categories=["Cs"]))


@given(TEXT, TEXT, TEXT, st.integers(0, 2**53 - 1), st.floats(0, 1e12) | st.floats(0, 1e-3) | st.just(-0.0))
def test_a_rows_hash_is_that_of_the_canonical_writer(job: str, kind: str, body: str, seq: int, mono: float) -> None:
    """Against rfc8785, whose own tests are the RFC's vectors."""
    envelope = {
        "at": "2031-05-06T09:15:00Z", "body": sha256(body.encode()).hexdigest(), "id": "x", "job": job, "kind": kind,
        "mono": mono, "prev": "0" * 64, "seq": seq, "session": "s",
    }  # fmt: skip
    expected = sha256(rfc8785.dumps(envelope)).hexdigest()
    found = row_hash(
        seq=seq, id_="x", job=job, kind=kind, at="2031-05-06T09:15:00Z", mono=mono, session="s", body=body,
        prev="0" * 64,
    )  # fmt: skip
    assert found == expected


def test_the_chain_can_be_recomputed_without_this_program(folder: Path) -> None:
    """With the standard library alone, as the module's docstring tells it."""
    prev = sha256(b"benchwitness record, format 1").hexdigest()
    assert prev == GENESIS
    with Record.open(folder, writing=False) as record:
        bodies = dict(record._fetch("SELECT seq, body FROM ledger", ()))
        rows = list(record.rows())
    assert len(rows) == 12
    for row in rows:
        mono: float | int = int(row.mono) if row.mono == int(row.mono) else row.mono
        envelope = {
            "seq": row.seq,
            "id": row.id,
            "job": row.job,
            "kind": row.kind,
            "at": row.at,
            "mono": mono,
            "session": row.session,
            "body": sha256(bodies[row.seq].encode()).hexdigest(),
            "prev": prev,
        }
        text = json.dumps(envelope, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert row.prev == prev
        assert row.hash == sha256(text.encode()).hexdigest()
        prev = row.hash
