"""From words as heard or typed to the one spelling that each has inside.

What is typed becomes what would be said: "2.1mm" is "two point one millimetres", "K7-04" is "k seven dash zero four".
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from capture.procedure import language as lang

_NUMBER = re.compile(
    r"(?P<sign>[+-]?)(?P<whole>\d*)(?:(?:\.|,(?!\d{3}(?!\d)))(?P<decimals>\d+))?"
    r"(?P<unit>[^\d.,+-].*)?"
)
_SIGNED_FRACTION = re.compile(r"([+-])(\d+/\d+)")
_CODE = re.compile(r"(?=.*[0-9])[a-z0-9/-]+")
_CODE_WORDS = {str(i): word for i, word in enumerate(lang.DIGIT_NAMES)} | {"-": "dash", "/": "slash", "o": "oh"}
_SIGNS = {"": (), "+": ("plus",), "-": ("minus",)}


def canonical(word: str) -> tuple[str, ...]:
    """The inside spelling of one word: lower case, one spelling per sound, hyphens opened, written numbers digit by
    digit, written units and codes as they are said. An unknown word gives itself; anything gives at least one word.

    A comma is read as the decimal mark unless exactly three digits follow, where it may part thousands.
    """
    plain = unicodedata.normalize("NFKC", word).lower().replace("\u2019", "'").replace("\u2044", "/")
    plain = plain.replace("\u2212", "-").strip('.,;:!?"')
    if plain in lang.ICAO or plain == lang.UNKNOWN:
        return (plain,)
    if said := lang.SAME.get(plain) or lang.WRITTEN.get(plain):
        return tuple(said.split())
    if (number := _NUMBER.fullmatch(plain)) and (number["whole"] or number["decimals"]):
        unit = lang.WRITTEN.get(number["unit"] or "", "")
        if unit or not number["unit"]:
            return (*_SIGNS[number["sign"]], *_aloud(number["whole"], number["decimals"]), *unit.split())
    if signed := _SIGNED_FRACTION.fullmatch(plain):
        return (*_SIGNS[signed[1]], *canonical(signed[2]))
    if _CODE.fullmatch(plain):
        return tuple(_CODE_WORDS.get(char, char) for char in plain)
    if "-" in plain.strip("-"):
        return tuple(piece for part in plain.split("-") if part for piece in canonical(part))
    return (plain or word or lang.UNKNOWN,)


def _aloud(whole: str, decimals: str | None) -> tuple[str, ...]:
    words = tuple(lang.DIGIT_NAMES[int(digit)] for digit in whole or "0")
    return (*words, "point", *(lang.DIGIT_NAMES[int(digit)] for digit in decimals)) if decimals else words


def phrase(text: str) -> tuple[str, ...]:
    """A spoken name in inside spelling, word by word."""
    return tuple(piece for word in text.split() for piece in canonical(word))


def phrases(texts: Iterable[str]) -> tuple[tuple[str, ...], ...]:
    """Several spoken names in inside spelling."""
    return tuple(phrase(text) for text in texts)
