"""Slots that take spelled codes, dates, counts of parts, and the words of a note."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterable, Iterator
from datetime import date, timedelta
from random import Random

from capture.phrases import ways
from capture.phrases.amounts import NameBoundary, match_number
from capture.phrases.grammar import Taken, Words
from capture.phrases.spelled import read_date, read_spelled
from capture.procedure import language as lang
from capture.procedure.codes import draw
from capture.procedure.model import Identity

ANY_CODE = r"[A-Z]{0,2}[0-9]{1,4}(-[0-9]{1,2})?[A-Z]?"
"""What codes without a pattern are drawn from."""


class Codes:
    """A spelled serial number or lot."""

    def __init__(self, boundary: NameBoundary) -> None:
        self._boundary = boundary

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, str]]:
        """See `Slot.match`."""
        end = start
        while end < len(words) and words[end] in lang.SPELLING:
            if self._boundary(words, end):
                return  # "lot four two oh rings": where the lot ends cannot be known
            end += 1
        identity: Identity | None = taken.get("identity")
        code = read_spelled(words[start:end], identity.pattern if identity else None)
        if code is not None:
            yield end, code

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, str]:
        """See `Slot.sample`."""
        identity: Identity | None = taken.get("identity")
        text = draw((identity.pattern if identity else None) or ANY_CODE, rng)
        return ways.spelled(text, rng), text

    def words(self) -> Iterable[str]:
        """See `Slot.words`."""
        return sorted(lang.SPELLING)


class Dates:
    """A calendar date with its year in full."""

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, date]]:
        """See `Slot.match`."""
        for end in range(min(len(words), start + 16), start, -1):
            if (day := read_date(words[start:end])) is not None:
                yield end, day
                return

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, date]:
        """See `Slot.sample`."""
        day = date(2026, 1, 1) + timedelta(days=rng.randrange(0, 1500))
        if rng.random() < 0.4:
            return ways.month_only(day, rng), day.replace(day=monthrange(day.year, day.month)[1])
        return ways.spoken_date(day, rng), day

    def words(self) -> Iterable[str]:
        """See `Slot.words`."""
        return (*lang.MONTHS, *lang.ORDINALS, "the", "of", *lang.DIGITS, *lang.TEENS, *lang.TENS, "thousand", "and")


class Counts:
    """How many parts: a whole number, "a", "both", or "all"; the meaning of "all" is the kit's quantity, 0 here."""

    ALL, BOTH = 0, -2

    def __init__(self, boundary: NameBoundary) -> None:
        self._boundary = boundary

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, int]]:
        """See `Slot.match`."""
        word = words[start : start + 1]
        if word == (lang.BOTH,):
            yield start + 1, self.BOTH
        if word == (lang.ALL,):
            for end, number in match_number(words, start + 1, self._boundary):
                if number.value.denominator == 1 and not number.wants_unit:
                    yield end, int(number.value)
            yield start + 1, self.ALL
        for end, number in match_number(words, start, self._boundary):
            if number.value.denominator == 1 and not number.fraction:
                yield end, int(number.value)

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, int]:
        """See `Slot.sample`."""
        count = rng.choice((1, 1, 1, 2, 2, 3, 4))
        if count == 1:
            return rng.choice((("one",), ("a",))), 1
        return ways.cardinal(count), count

    def words(self) -> Iterable[str]:
        """See `Slot.words`."""
        return (*lang.DIGITS, *lang.TEENS, "a", "an", lang.BOTH, lang.ALL)


class Rest:
    """Everything to the end: the words of a note."""

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, Words]]:
        """See `Slot.match`."""
        if start < len(words):
            yield len(words), words[start:]

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, Words]:
        """See `Slot.sample`."""
        said = tuple(rng.choice(lang.NOTE_WORDS) for _ in range(rng.randint(2, 6)))
        return said, said

    def words(self) -> Iterable[str]:
        """See `Slot.words`."""
        return lang.NOTE_WORDS
