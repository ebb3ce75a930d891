"""Numbers: read back exactly as unicode-rbnf (Unicode CLDR) and plain digits say them, and refused when unclear.

All of them at once: ``python -m tests.bench.numbers``.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.phrases.number import FORMS, parse_number, read_number, speak_number
from tests.phrases import spoken_numbers as spoken


@pytest.fixture(scope="module")
def rbnf() -> spoken.Rbnf:
    pytest.importorskip("unicode_rbnf")
    return spoken.Rbnf()


def exactly(words: str, value: Decimal) -> bool:
    """The value comes back, and its digits too wherever a point was said."""
    got = parse_number(words)
    return got == value and (spoken.without_point(words) or str(got) == str(value))


def test_integers_to_9999_as_rbnf_says_them_and_digit_by_digit(rbnf: spoken.Rbnf) -> None:
    wrong = [
        words
        for value in range(10000)
        for words in (
            rbnf.words(Decimal(value)),
            spoken.with_and(rbnf.words(Decimal(value))),
            spoken.digit_by_digit(Decimal(value)),
            spoken.digit_by_digit(Decimal(value), zero="oh"),
            spoken.pair(value),
        )
        if words is not None and not exactly(words, Decimal(value))
    ]
    assert wrong == []


@given(st.integers(0, 3), st.data())
def test_decimals_to_400_as_rbnf_says_them_and_digit_by_digit(places: int, data: st.DataObject) -> None:
    engine = spoken.Rbnf() if pytest.importorskip("unicode_rbnf") else None
    assert engine is not None
    value = Decimal(data.draw(st.integers(0, 400 * 10**places))).scaleb(-places)
    for words in (
        engine.words(value),
        spoken.with_and(engine.words(value)),
        spoken.digit_by_digit(value),
        spoken.digit_by_digit(value, zero="oh", point="decimal"),
        spoken.digit_by_digit(value, zero="naught"),
    ):
        assert exactly(words, value), words
        assert parse_number(f"minus {words}") == -value


def test_text2num_reads_the_same_integers(rbnf: spoken.Rbnf) -> None:
    text2num = pytest.importorskip("text_to_num").text2num
    for value in range(0, 10000, 7):
        words = rbnf.words(Decimal(value))
        assert parse_number(words) == text2num(words, "en")


@pytest.mark.parametrize(("words", "value"), FORMS)
def test_documented_forms(words: str, value: str) -> None:
    assert str(parse_number(words)) == value


# what people say; spoken forms of pressures and lengths: common practice, no source
@pytest.mark.parametrize(
    ("words", "value"),
    [
        ("one point one", "1.1"), ("point nine", "0.9"), ("one decimal zero five", "1.05"), ("one three five", "135"),
        ("one thirty five", "135"), ("a hundred and thirty five", "135"), ("two and a half", "2.5"),
        ("three quarters", "0.75"), ("one and a quarter", "1.25"), ("minus zero point three", "-0.3"),
        ("oh point nine", "0.9"), ("nought point nine", "0.9"), ("niner", "9"), ("tree", "3"), ("fife", "5"),
        ("fower", "4"), ("one tousand", "1000"), ("fifteen", "15"), ("one fifteen", "115"), ("one fifty", "150"),
        ("one eleven", "111"), ("ten oh five", "1005"), ("twelve hundred and fifty", "1250"),
        ("thirty five hundred", "3500"), ("a thousand and one", "1001"), ("one hundred twenty point five", "120.5"),
        ("one point twenty five", "1.25"), ("point oh five", "0.05"), ("point one twenty five", "0.125"),
        ("point fifteen", "0.15"), ("one twenty point oh five", "120.05"), ("zero", "0"), ("zero point zero", "0.0"),
        ("a half", "0.5"), ("half", "0.5"), ("two and half", "2.5"), ("five eighths", "0.625"),
        ("one and three tenths", "1.3"), ("twenty five thousandths", "0.025"), ("twelve and a half", "12.5"),
        ("a hundred and two and a half", "102.5"), ("negative two", "-2"), ("plus two", "2"), ("minus a half", "-0.5"),
        ("One Thirty-Five", "135"), ("2.10", "2.10"), ("-0.3", "-0.3"),
    ],
)  # fmt: skip
def test_ways_of_saying(words: str, value: str) -> None:
    assert str(parse_number(words)) == value


@pytest.mark.parametrize(
    "words",
    [
        "", "and", "a", "point", "minus", "one point", "one point one point two", "one five point", "hundred",
        "one point one hundred", "hundred and five", "twenty hundred", "one hundred and", "and five", "one and two",
        "twenty and five", "twenty one five", "one two thirty", "five twenty five hundred", "ten ten ten",
        "one thousand twelve hundred", "thirty five five", "half a", "two halves and a half", "one three quarters",
        "twenty three quarters", "two thirds", "point a half", "one point five and a half", "minus minus one",
        "one minus two", "one [unk] five", "five apples", "quarter quarter", "zero thirty five", "1,200",
        "a hundred and twenty five thousandths", "one hundred thousand thousand",
    ],
)  # fmt: skip
def test_no_number_or_not_one(words: str) -> None:
    assert parse_number(words) is None


def test_pair_keeps_the_other_value_its_words_may_mean() -> None:
    number = read_number(("one", "thirty", "five"))
    assert number is not None
    assert number.alternatives == (Decimal("1.35"),)


def test_fraction_without_a_finite_decimal_keeps_its_exact_value() -> None:
    number = read_number(("one", "and", "two", "thirds"))
    assert number is not None
    assert (number.value, number.text) == (Fraction(5, 3), None)


def test_digit_by_digit_read_back() -> None:
    assert speak_number(Decimal("1.05")) == "one decimal zero five"
    assert speak_number(Decimal("-0.30")) == "minus zero decimal three zero"


@given(st.decimals(min_value=-400, max_value=400, places=3))
def test_what_is_read_back_is_the_same_number(value: Decimal) -> None:
    assert parse_number(speak_number(value)) == value


NUMBERISH = [
    "zero", "oh", "one", "two", "five", "ten", "fifteen", "twenty", "fifty", "hundred", "thousand", "point", "decimal",
    "and", "a", "half", "quarter", "quarters", "third", "minus", "of",
]  # fmt: skip


@given(st.lists(st.sampled_from(NUMBERISH), max_size=8))
def test_any_words_are_a_number_or_none_and_use_all_digits(words: list[str]) -> None:
    value = parse_number(words)
    if value is not None:
        # every digit word counts: leaving out a non-zero one would give another value
        assert value.is_finite()
        for i, word in enumerate(words):
            if word in ("one", "two", "five", "fifteen", "fifty"):
                assert parse_number(words[:i] + words[i + 1 :]) != value or word == "one"
