"""Typed lines become the words that would be said, and mean the same."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as some

from capture.bench.live_typed import MOST_WORDS, typed_words
from capture.phrases import parse, vocabulary
from capture.phrases.statements import IdentitySaid, PartSaid, ReadingSaid, TurnSaid
from capture.procedure import find, load_procedure

PROCEDURE = load_procedure(find("lever_valve"))
WORDS = vocabulary(PROCEDURE)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("Leaks none", "leaks none"),
        ("supply pressure 138 psi", "supply pressure one three eight p s i"),
        ("lever height 1,85mm", "lever height one point eight five millimetres"),
        ("lever height \u22120.3 mm", "lever height minus zero point three millimetres"),
        ("opening effort 1.2 inH\u2082O", "opening effort one point two inches of water"),
        ("serial number K7-0412", "serial number kilo seven dash zero four one two"),
        ("fitted valve seat, lot B2207.", "fitted valve seat lot bravo two two zero seven"),
        ("orifice in 1/12 turn", "orifice in one twelfth turn"),
        ("   ", ""),
    ],
)
def test_a_line_becomes_words(line: str, words: str) -> None:
    assert typed_words(line, WORDS) == words.split()


@given(some.decimals(Decimal("0"), Decimal("400"), places=2))
def test_every_typed_value_comes_back(value: Decimal) -> None:
    (said,) = parse(typed_words(f"supply pressure {value} psi", WORDS), PROCEDURE)
    assert isinstance(said, ReadingSaid)
    assert said.value == value


@given(some.sampled_from([2, 3, 4, 6, 8, 12, 16]), some.integers(1, 11))
def test_every_typed_fraction_comes_back(below: int, above: int) -> None:
    (said,) = parse(typed_words(f"spring in {above}/{below} turns", WORDS), PROCEDURE)
    if isinstance(said, TurnSaid):
        assert said.turns == Fraction(above, below)


@given(some.from_regex(r"[A-Z]{1,2}[0-9]{1,2}-[0-9]{3,5}", fullmatch=True))
def test_every_typed_serial_number_comes_back(serial: str) -> None:
    (said,) = parse(typed_words(f"serial number {serial}", WORDS), PROCEDURE)
    assert isinstance(said, IdentitySaid)
    assert said.value == serial


@given(some.from_regex(r"[A-Z][0-9]{2,5}", fullmatch=True))
def test_every_typed_lot_comes_back(lot: str) -> None:
    (said,) = parse(typed_words(f"fitted valve seat lot {lot}", WORDS), PROCEDURE)
    assert isinstance(said, PartSaid)
    assert said.lot == lot


@given(some.text(max_size=3000))
def test_anything_can_be_typed(line: str) -> None:
    words = typed_words(line, WORDS)
    assert len(words) <= MOST_WORDS
    assert all(word and not word.isspace() for word in words)
    parse(words, PROCEDURE)
