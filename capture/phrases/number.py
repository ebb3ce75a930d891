"""Numbers as people say them, read exactly or not at all.

A run of words is a number only if the whole run is one and means one value; "one point one point two" or "one five
point" is none. Cardinals ("a hundred and thirty five", "twelve hundred"), digits ("one three five"), pairs ("one thirty
five", "ten oh five"), decimals ("point nine", "one decimal zero five", "one point twenty five") and fractions ("two
and a half", "three quarters", "a twelfth", "half a") may be mixed only as shown in `FORMS`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

from capture.procedure import language as lang
from capture.procedure.inside import phrase
from capture.procedure.language import digits_aloud

Words = tuple[str, ...]
_ARTICLES = ("a", "an")

FORMS: tuple[tuple[str, str], ...] = (
    ("one hundred and thirty five", "135"),
    ("a hundred thirty five", "135"),
    ("one thirty five", "135"),
    ("one three five", "135"),
    ("one oh five", "105"),
    ("twelve hundred", "1200"),
    ("twelve fifty", "1250"),
    ("one thousand two hundred and six", "1206"),
    ("one point one", "1.1"),
    ("one decimal zero five", "1.05"),
    ("one point twenty five", "1.25"),
    ("point nine", "0.9"),
    ("oh point niner", "0.9"),
    ("minus zero point three", "-0.3"),
    ("a half", "0.5"),
    ("two and a half", "2.5"),
    ("three quarters", "0.75"),
    ("one and a quarter", "1.25"),
    ("five tenths", "0.5"),
    ("tree fife fower", "354"),
)
"""Ways of saying numbers, with their values: documentation, and a test that they are right."""


@dataclass(frozen=True)
class Number:
    """A number that was said. ``value`` is exact; ``text`` keeps the digits as said ("one point one zero" is 1.10)
    and is None where no finite decimal exists (thirds). ``alternatives``: other values of the same words.
    ``wants_unit``: it ends in an article ("half a"), so that a unit must follow. ``fraction``: it holds a fraction
    word."""

    value: Fraction
    text: Decimal | None
    alternatives: tuple[Decimal, ...] = ()
    wants_unit: bool = False
    fraction: bool = False


def parse_number(words: Sequence[str] | str) -> Decimal | None:
    """The value of ``words`` (a text or its words) if all of them together are one number, else None."""
    number = read_number(_inside(words))
    return None if number is None or number.wants_unit else number.text


def speak_number(value: Decimal) -> str:
    """``value`` digit by digit, as it is read back."""
    return digits_aloud(value)


def read_number(words: Words) -> Number | None:
    """The one number that ``words`` (inside spelling) are, or None; also None if they may be two numbers."""
    sign = 1
    if words and words[0] in lang.SIGNS:
        sign, words = lang.SIGNS[words[0]], words[1:]
    found = {number.value: number for number in (*_plain(words), *_with_fraction(words))}
    if len(found) != 1:
        return None
    number = next(iter(found.values()))
    return number if sign > 0 else _negative(number)


def read_integer(words: Words) -> int | None:
    """The whole number without sign that ``words`` are, or None."""
    values = {int(text) for text, _ in _integers(words)}
    return values.pop() if len(values) == 1 else None


def _inside(words: Sequence[str] | str) -> Words:
    return phrase(words if isinstance(words, str) else " ".join(words))


def _negative(number: Number) -> Number:
    return replace(
        number,
        value=-number.value,
        text=None if number.text is None else -number.text,
        alternatives=tuple(-other for other in number.alternatives),
    )


def _plain(words: Words) -> Iterator[Number]:
    """Whole numbers and decimals."""
    points = [i for i, word in enumerate(words) if word in lang.POINT]
    if not points:
        for text, alternatives in _integers(words):
            yield Number(Fraction(int(text)), Decimal(int(text)), alternatives)
    elif len(points) == 1:
        whole, decimals = words[: points[0]], _decimals(words[points[0] + 1 :])
        for text in ("0",) if not whole else tuple(text for text, _ in _integers(whole)):
            if decimals:
                value = Decimal(f"{int(text)}.{decimals}")
                yield Number(Fraction(value), value)


def _decimals(words: Words) -> str | None:
    """The digits after the point: single digits, or one two-digit group with at most one digit before it."""
    if digits := _digits(words):
        return digits
    lead = 1 if words and words[0] in lang.DIGITS else 0
    group = _below_100(words[lead:])
    if group is None or group < 10:
        return None
    return (_digits(words[:lead]) or "") + str(group)


def _digits(words: Words) -> str | None:
    if not words or any(word not in lang.DIGITS for word in words):
        return None
    return "".join(str(lang.DIGITS[word]) for word in words)


def _integers(words: Words) -> Iterator[tuple[str, tuple[Decimal, ...]]]:
    """Digits of every whole number that ``words`` may be, with alternatives."""
    if digits := _digits(words):
        yield digits, ()
    elif (cardinal := _cardinal(words)) is not None:
        yield str(cardinal), ()
    else:
        yield from _pairs(words)


def _below_100(words: Words) -> int | None:
    match words:
        case (word,):
            return next((table[word] for table in (lang.DIGITS, lang.TEENS, lang.TENS) if word in table), None)
        case (ten, one) if ten in lang.TENS and lang.DIGITS.get(one, 0) > 0:
            return lang.TENS[ten] + lang.DIGITS[one]
    return None


def _cardinal(words: Words, limit: int = 1_000_000) -> int | None:
    """A cardinal below ``limit``; "a" may stand for one before hundred and thousand."""
    for names, factor in ((lang.THOUSAND, 1000), (lang.HUNDRED, 100)):
        places = [i for i, word in enumerate(words) if word in names]
        if not places:
            continue
        if len(places) > 1 or factor >= limit:
            return None
        head, rest = words[: places[0]], words[places[0] + 1 :]
        count = 1 if head in (("a",), ("one",)) else _cardinal(head, factor if factor == 1000 else 100)
        if count is None or count == 0 or (factor == 100 and count >= 10 and (count % 10 == 0 or limit <= 1000)):
            return None
        if not rest:
            return count * factor
        tail = _below_100(rest[1:]) if rest[0] == "and" else _cardinal(rest, factor)
        if not tail:
            return None
        return count * factor + tail
    return _below_100(words)


def _pairs(words: Words) -> Iterator[tuple[str, tuple[Decimal, ...]]]:
    """Two groups said one after the other: "one thirty five", "twelve fifty", "ten oh five"."""
    for cut in range(1, len(words)):
        first, second = _below_100(words[:cut]), words[cut:]
        group = _below_100(second)
        if first is None or first == 0:
            continue
        if group is not None and group >= 10:
            text = str(group)
        elif first >= 10 and len(second) == 2 and lang.DIGITS.get(second[0]) == 0 and lang.DIGITS.get(second[1], 0):
            text = f"0{lang.DIGITS[second[1]]}"
        else:
            continue
        yield f"{first}{text}", (Decimal(f"{first}.{text}"),)


def _with_fraction(words: Words) -> Iterator[Number]:
    """A fraction, or a whole number "and" a fraction; also the bare article before a unit."""
    if len(words) == 1 and words[0] in _ARTICLES:
        yield Number(Fraction(1), Decimal(1), wants_unit=True)
    if tail := _fraction(words):
        yield _number(*tail)
    for cut in [i for i, word in enumerate(words) if word == "and"]:
        whole, tail = read_integer(words[:cut]), _fraction(words[cut + 1 :])
        if whole is not None and tail:
            yield _number(whole + tail[0], tail[1])


def _number(value: Fraction, wants_unit: bool) -> Number:
    return Number(value, exact_decimal(value), wants_unit=wants_unit, fraction=True)


def _fraction(words: Words) -> tuple[Fraction, bool] | None:
    """A fraction such as "three quarters of a", and whether a unit must follow."""
    if lang.BAR in words:
        return _written_fraction(words)
    place = next((i for i, word in enumerate(words) if word in lang.FRACTIONS), None)
    if place is None:
        return None
    after = words[place + 1 :]
    if after not in ((), ("of",), ("a",), ("an",), ("of", "a"), ("of", "an"), ("of", "one")):
        return None
    denominator = lang.FRACTIONS[words[place]]
    head = words[:place]
    # only proper fractions with a plain numerator: "one three quarters" is not thirteen quarters
    numerator = 1 if not head or (len(head) == 1 and head[0] in _ARTICLES) else _cardinal(head)
    if not numerator or numerator >= denominator:
        return None
    return Fraction(numerator, denominator), bool(after)


def _written_fraction(words: Words) -> tuple[Fraction, bool] | None:
    """A proper fraction as it is typed, "3/4": digits, "slash", digits."""
    place = words.index(lang.BAR)
    above, below = _digits(words[:place]), _digits(words[place + 1 :])
    if not above or not below or not 0 < int(above) < int(below):
        return None
    return Fraction(int(above), int(below)), False


def exact_decimal(value: Fraction) -> Decimal | None:
    """``value`` as a finite decimal, or None if there is none."""
    rest = value.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    return None if rest != 1 else Decimal(value.numerator) / Decimal(value.denominator)
