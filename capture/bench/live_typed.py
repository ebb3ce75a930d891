"""A typed line as the words that would be said: figures digit by digit, codes spelled, units by their names."""

from __future__ import annotations

import re
from collections.abc import Collection
from functools import lru_cache

from capture.phrases.spelled import spell
from capture.procedure import language as lang
from capture.units import UNITS

MOST_WORDS = 200

_NUMBER = re.compile(r"([+-]?)([0-9]+)(?:[.,]([0-9]+))?")
_FRACTION = re.compile(r"([0-9]+)/([0-9]+)")
_WITH_UNIT = re.compile(r"([+-]?[0-9]+(?:[.,][0-9]+)?)([^0-9].*)")
_SIGN = {"": [], "+": ["plus"], "-": ["minus"]}


def typed_words(line: str, vocabulary: Collection[str]) -> list[str]:
    """The words of a typed line.

    Args:
        line: as typed: "supply pressure 138 psi", "lot B2207", "lever height 1,85mm".
        vocabulary: lower-case words that may be said; a token in capitals that is none of them is spelled.

    Returns:
        Lower-case words, at most ``MOST_WORDS``. "138" is "one three eight", "B2207" is "bravo two two zero seven".
    """
    words: list[str] = []
    for token in line.replace("\u2212", "-").split()[:MOST_WORDS]:
        words += _token(token.strip(';:!?"()'), vocabulary)
    return [word for word in words if word.strip()][:MOST_WORDS]


def _token(token: str, vocabulary: Collection[str]) -> list[str]:
    token = token.rstrip(",.")
    if not token:
        return []
    if token.casefold() in vocabulary:
        return [token.casefold()]
    if found := _NUMBER.fullmatch(token):
        sign, whole, part = found.groups()
        return [*_SIGN[sign], *_digits(whole), *(["point", *_digits(part)] if part else [])]
    if found := _FRACTION.fullmatch(token):
        return _fraction(int(found[1]), int(found[2])) or spell(token).split()
    if token.casefold() in _unit_names():
        return list(_unit_names()[token.casefold()])
    if (found := _WITH_UNIT.fullmatch(token)) and found[2].casefold() in _unit_names():
        return [*_token(found[1], vocabulary), *_unit_names()[found[2].casefold()]]
    if token.isascii() and (any(mark.isdigit() for mark in token) or (token.isupper() and len(token) <= 6)):
        return spell(token.upper()).lower().split()
    return [token.casefold()]


def _digits(text: str) -> list[str]:
    return [word for digit in text for word in lang.digits_aloud(digit).split()]


def _fraction(above: int, below: int) -> list[str] | None:
    names = [word for word, value in lang.FRACTIONS.items() if value == below]
    if not names or not 0 < above < 100:
        return None
    plural = names[-1] if above > 1 else names[0]
    return [*_digits(str(above)), plural]


@lru_cache(maxsize=1)
def _unit_names() -> dict[str, tuple[str, ...]]:
    names: dict[str, tuple[str, ...]] = {}
    for unit in UNITS.values():
        spoken = tuple(unit.spoken[0].split())
        for written in (unit.symbol, unit.id, unit.symbol.replace("\u2082", "2").replace("\u00b7", "")):
            names.setdefault(written.casefold(), spoken)
    return names
