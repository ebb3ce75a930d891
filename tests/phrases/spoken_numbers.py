"""Numbers in words, from a speller of others and by plain rules, for tests and the bench."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


class Rbnf:
    """English numbers of ``unicode-rbnf``, which speaks them by the rules of Unicode CLDR."""

    def __init__(self) -> None:
        from unicode_rbnf import RbnfEngine

        self._engine = RbnfEngine.for_language("en")

    def words(self, value: Decimal) -> str:
        return self._engine.format_number(format(value, "f")).text_by_ruleset["spellout-cardinal"].replace("-", " ")


def with_and(cardinal: str) -> str:
    """British "and" before the last two places: "one hundred and five"."""
    words = cardinal.split()
    whole = words[: words.index("point")] if "point" in words else words
    places = [i for i, word in enumerate(whole) if word in ("hundred", "thousand")]
    if not places or places[-1] == len(whole) - 1:
        return cardinal
    return " ".join((*words[: places[-1] + 1], "and", *words[places[-1] + 1 :]))


def digit_by_digit(value: Decimal, *, zero: str = "zero", point: str = "point") -> str:
    return " ".join(point if c == "." else zero if c == "0" else DIGITS[int(c)] for c in format(value, "f"))


def pair(value: int) -> str | None:
    """Two groups, as years and pressures are said: "one thirty five", "twelve fifty"."""
    high, low = divmod(value, 100)
    if not 1 <= high <= 99 or low < 10:
        return None
    return f"{below_100(high)} {below_100(low)}"


def below_100(value: int) -> str:
    teens = (
        "ten",
        "eleven",
        "twelve",
        "thirteen",
        "fourteen",
        "fifteen",
        "sixteen",
        "seventeen",
        "eighteen",
        "nineteen",
    )
    tens = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
    if value < 20:
        return (DIGITS + teens)[value]
    return tens[value // 10 - 2] + (f" {DIGITS[value % 10]}" if value % 10 else "")


def without_point(words: str) -> bool:
    """Whether no decimal point was said, so that only the value can come back, not its trailing zeros."""
    return not {"point", "decimal"} & set(words.split())


def decimals() -> Iterator[Decimal]:
    """Every value from 0 to 400 with up to three decimals, each with its own count of them (1.1 and 1.10 and 1.100)."""
    for places in (0, 1, 2, 3):
        for scaled in range(400 * 10**places + 1):
            yield Decimal(scaled).scaleb(-places)
