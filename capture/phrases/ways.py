"""Ways of saying a number, an amount, a spelled name or a date: what the reading modules undo.

Every way is drawn with a given random generator, so that the same seed gives the same words.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from fractions import Fraction
from random import Random

from capture.procedure import language as lang
from capture.units import UNITS

Words = tuple[str, ...]
_ONES = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS = tuple(lang.TEENS)
_TENS = {value // 10: word for word, value in lang.TENS.items()}
_LETTER_WORDS = {char: word for word, char in lang.LETTERS.items() if word not in ("oh", "zed")}
_ICAO_WORDS = {char: word for word, char in lang.ICAO.items()}
_ORDINALS = {value: word for word, value in lang.ORDINALS.items()}
_MONTHS = {value: word for word, value in lang.MONTHS.items()}
_DENOMINATORS = {2: "half", 3: "third", 4: "quarter", 5: "fifth", 6: "sixth", 8: "eighth", 10: "tenth", 12: "twelfth",
                 16: "sixteenth"}  # fmt: skip


def digit(value: int, rng: Random | None = None) -> str:
    """A digit; with ``rng`` sometimes by another of its names."""
    if rng is None or rng.random() < 0.85:
        return _ONES[value]
    return rng.choice([word for word, digit_ in lang.DIGITS.items() if digit_ == value])


def digits(text: str, rng: Random | None = None) -> Words:
    """A text of digits, one by one."""
    return tuple(digit(int(char), rng) for char in text)


def cardinal(value: int, *, joined: bool = False, article: bool = False) -> Words:
    """A whole number from 0 to 999 999 as a cardinal; ``joined`` with "and" before the last two places, ``article``
    with "a" for a leading one of hundred or thousand."""
    if value < 10:
        return (_ONES[value],)
    if value < 20:
        return (_TEENS[value - 10],)
    if value < 100:
        return (_TENS[value // 10],) + ((_ONES[value % 10],) if value % 10 else ())
    size, name = (1000, "thousand") if value >= 1000 else (100, "hundred")
    count, rest = divmod(value, size)
    head = ("a",) if article and count == 1 else cardinal(count, joined=joined)
    link = ("and",) if joined and 0 < rest < 100 else ()
    return (*head, name, *link, *(cardinal(rest, joined=joined) if rest else ()))


def pair(value: int) -> Words | None:
    """A whole number of three or four digits as two groups ("one thirty five", "ten oh five"), if it is said so."""
    high, low = divmod(value, 100)
    if not 1 <= high <= 99 or low == 0 or (low < 10 and high < 10):
        return None
    return (*cardinal(high), *(("oh", _ONES[low]) if low < 10 else cardinal(low)))


def hundreds(value: int) -> Words | None:
    """Twelve hundred and the like, if ``value`` is said so."""
    high, low = divmod(value, 100)
    return (*cardinal(high), "hundred") if low == 0 and 11 <= high <= 99 and high % 10 else None


def whole(value: int, rng: Random) -> Words:
    """A whole number from 0 to 9999 in some way."""
    ways: list[Words] = [cardinal(value), cardinal(value, joined=True), digits(str(value), rng)]
    if value >= 100:
        ways += [cardinal(value, joined=True, article=True)]
        ways += [way for way in (pair(value), pair(value), hundreds(value)) if way]
    return rng.choice(ways)


def number(value: Decimal, rng: Random) -> Words:
    """``value`` (below 10 000, digits as they are) in some way."""
    if value < 0:
        return (rng.choice(("minus", "minus", "negative")), *number(-value, rng))
    text = format(value, "f")
    left, _, right = text.partition(".")
    if not right:
        return whole(int(left), rng)
    if rng.random() < 0.2 and (special := mixed(Fraction(value), rng)):
        return special
    tail = digits(right, rng)
    if len(right) == 2 and right[0] != "0" and rng.random() < 0.25:
        tail = cardinal(int(right))
    if left == "0" and rng.random() < 0.5:
        head: Words = rng.choice(((), (), ("oh",), ("naught",)))
    else:
        head = whole(int(left), rng) if rng.random() < 0.6 else digits(left, rng)
    return (*head, "point" if rng.random() < 0.85 else "decimal", *tail)


def mixed(value: Fraction, rng: Random) -> Words | None:
    """A whole number and a fraction in words, where the denominator has a name."""
    count, rest = divmod(value.numerator, value.denominator)
    if value.denominator not in (2, 3, 4, 5, 8, 12, 16):
        return None
    part = fraction(Fraction(rest, value.denominator), rng)
    return part if count == 0 else (*cardinal(count), "and", *part)


def fraction(value: Fraction, rng: Random) -> Words:
    """A proper fraction in words: "three quarters", "a twelfth"."""
    name = _DENOMINATORS[value.denominator]
    if value.numerator == 1:
        return (rng.choice(("a", "one")), name)
    return (*cardinal(value.numerator), "halves" if name == "half" else f"{name}s")


def fraction_name(value: Fraction) -> str | None:
    """A proper fraction in words ("three quarters"), or None where its denominator has no name."""
    name = _DENOMINATORS.get(value.denominator)
    if name is None:
        return None
    return f"one {name}" if value.numerator == 1 else f"{' '.join(cardinal(value.numerator))} {name}s"


def unit(id_: str, value: Fraction, rng: Random) -> Words:
    """The unit's name to go with ``value``."""
    entry = UNITS[id_]
    if entry.spoken_one and abs(value) == 1:
        return tuple(entry.spoken_one.split())
    return tuple(rng.choice(entry.spoken).split())


def amount(value: Decimal, unit_id: str, rng: Random) -> Words:
    """A value with its unit, now and then as "half a millimetre" or "two minutes ten seconds"."""
    one = UNITS[unit_id].spoken_one
    if unit_id == "s" and value > 60 and value % 60 and value == int(value) and rng.random() < 0.3:
        return minutes(int(value), rng)
    if one and Fraction(1, 100) < Fraction(value) < 1 and rng.random() < 0.3:
        part = mixed(Fraction(value), rng)
        if part:
            article = "an" if one[0] in "aeiou" else "a"
            return (*((part[1],) if part[1] == "half" else (*part, "of")), article, *one.split())
    return (*number(value, rng), *unit(unit_id, Fraction(value), rng))


def minutes(seconds: int, rng: Random) -> Words:
    """Some seconds as minutes and seconds."""
    parts = (("min", seconds // 60), ("s", seconds % 60))
    whole_minutes, rest = ((*cardinal(count), *unit(id_, Fraction(count), rng)) for id_, count in parts)
    return (*whole_minutes, *rng.choice(((), ("and",))), *rest)


def turns(value: Fraction, rng: Random) -> Words:
    """An unsigned part of a turn or some turns, as turns or in degrees."""
    degrees = value * 360
    count, rest = divmod(value.numerator, value.denominator)
    named = value.denominator in _DENOMINATORS or value.denominator == 1
    if degrees.denominator == 1 and degrees < 1000 and (not named or rng.random() < 0.25):
        return (*whole(int(degrees), rng), "degrees")
    if rest == 0:
        if count == 1:
            return rng.choice((("one", "turn"), ("a", "turn"), ("one", "full", "turn"), ("a", "full", "turn")))
        return (*cardinal(count), "turns")
    part = Fraction(rest, value.denominator)
    if not named:
        text = format(Decimal(value.numerator) / Decimal(value.denominator), "f")
        return (*number(Decimal(text), rng), "turns")
    words = fraction(part, rng)
    if count:
        return (*cardinal(count), "and", *words, "turns")
    if rng.random() < 0.1:
        return words
    if part == Fraction(1, 2):
        return rng.choice((("half", "a", "turn"), ("a", "half", "turn"), ("half", "turn")))
    if part.numerator == 1 and rng.random() < 0.4:
        return (*words[1:], "turn")
    return (*words, "turn") if rng.random() < 0.5 else (*words, "of", "a", "turn")


def spelled(text: str, rng: Random) -> Words:
    """A code character by character, its letters all by name or all by the spelling alphabet."""
    alphabet = _ICAO_WORDS if rng.random() < 0.6 else _LETTER_WORDS
    words: list[str] = []
    for char in text:
        if char.isdigit():
            words.append(digit(int(char), rng))
        elif char.isalpha():
            words.append(_ICAO_WORDS["O"] if char == "O" else alphabet[char])
        else:
            words.append("dash" if char == "-" else "slash")
    return tuple(words)


def spoken_date(day: date, rng: Random) -> Words:
    """A date with its year in full; "march twenty twenty seven" only for the last of March."""
    year = rng.choice((cardinal(day.year // 100) + cardinal(day.year % 100), cardinal(day.year, joined=True)))
    month = (_MONTHS[day.month],)
    ordinal = _ordinal(day.day)
    return rng.choice(
        (
            (*ordinal, "of", *month, *year),
            (*ordinal, *month, *year),
            (*month, *ordinal, *year),
            (*month, "the", *ordinal, *year),
        )
    )


def month_only(day: date, rng: Random) -> Words:
    """A month and its year."""
    year = rng.choice((cardinal(day.year // 100) + cardinal(day.year % 100), cardinal(day.year, joined=True)))
    return (_MONTHS[day.month], *year)


def _ordinal(value: int) -> Words:
    if value in _ORDINALS:
        return (_ORDINALS[value],)
    return (_TENS[value // 10], _ORDINALS[value % 10])
