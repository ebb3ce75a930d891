"""The slots of the templates: names of the procedure, choices of words, numbers with units, spelled names, dates."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from random import Random
from typing import Any

from capture.phrases import ways
from capture.phrases.codes import draw
from capture.phrases.grammar import Taken, Words
from capture.phrases.number import Number, exact_decimal, read_number
from capture.phrases.plausible import plausible_units
from capture.phrases.spelled import read_date, read_spelled
from capture.procedure import language as lang
from capture.procedure.model import Counter, Identity, Reading
from capture.units import UNITS, convert

NameBoundary = Callable[[Words, int], bool]
"""Whether a name that begins with a number word ("oh rings") begins here, so that a number ends before it."""


class Names:
    """Spoken forms and what each means; the longest form is tried first."""

    def __init__(self, forms: Mapping[Words, Any], *, favour_first: bool = False) -> None:
        self.forms = dict(forms)
        self._favour_first = favour_first
        self._longest = max(map(len, self.forms), default=0)

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, Any]]:
        for length in range(min(self._longest, len(words) - start), 0, -1):
            if (form := words[start : start + length]) in self.forms:
                yield start + length, self.forms[form]

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, Any]:
        forms = list(self.forms)
        form = forms[0] if self._favour_first and rng.random() < 0.6 else rng.choice(forms)
        return form, self.forms[form]

    def words(self) -> Iterable[str]:
        return (word for form in self.forms for word in form)


def names(forms: Iterable[str], meaning: Any = None) -> dict[Words, Any]:
    """Forms that all mean the same; without ``meaning`` each means its own text."""
    return {words: " ".join(words) if meaning is None else meaning for words in lang.phrases(forms)}


class Dependent:
    """A choice that depends on what another slot took: the answers of a check, the directions of a counter. The other
    slot may also come later; then any form is taken, and the builder must see whether it fits."""

    def __init__(self, of: str, tables: Mapping[Any, Mapping[Words, Any]]) -> None:
        self._of = of
        self._tables = {key: Names(table) for key, table in tables.items()}
        self._any = Names({form: form for table in tables.values() for form in table})

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, Any]]:
        if self._of in taken:
            yield from self._tables[taken[self._of].id].match(words, start, taken)
        else:
            yield from self._any.match(words, start, taken)

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, Any]:
        table = self._tables[taken[self._of].id] if self._of in taken else self._any
        return table.sample(rng, taken)

    def words(self) -> Iterable[str]:
        return self._any.words()

    def meaning(self, key: str, form: Words) -> Any:
        """What ``form`` means for ``key``, or None if it is none of its forms."""
        return self._tables[key].forms.get(form)


UNIT_NAMES = Names({form: unit.id for unit in UNITS.values() for form in lang.phrases(unit.forms)})
"""All units by their spoken forms."""


@dataclass(frozen=True)
class Amount:
    """A number with its unit, if one was said. ``text`` keeps the digits as said, None if no finite decimal."""

    value: Fraction
    text: Decimal | None
    unit: str | None
    alternatives: tuple[Decimal, ...] = ()
    fraction: bool = False


def number_end(words: Words, start: int, boundary: NameBoundary) -> int:
    """Where the unbroken run of number words and connectives from ``start`` ends."""
    end = start
    while end < len(words) and (words[end] in lang.NUMBER_WORDS or words[end] in lang.CONNECTIVES):
        if end > start and boundary(words, end):
            break
        end += 1
    return end


def match_number(words: Words, start: int, boundary: NameBoundary) -> Iterator[tuple[int, Number]]:
    """The number that the whole run from ``start`` is; only connectives at its end may be left."""
    end = number_end(words, start, boundary)
    while end > start:
        if number := read_number(words[start:end]):
            yield end, number
        if words[end - 1] not in lang.CONNECTIVES:
            return
        end -= 1


class Amounts:
    """A number and its unit, a reading's or (``quantity`` angle) a counter's."""

    def __init__(self, boundary: NameBoundary) -> None:
        self._boundary = boundary

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, Amount]]:
        for end, number in match_number(words, start, self._boundary):
            plain = Amount(number.value, number.text, None, number.alternatives, number.fraction)
            at = end + 1 if words[end : end + 1] == ("full",) else end
            for after, unit in UNIT_NAMES.match(words, at, taken):
                whole = Amount(plain.value, plain.text, unit, plain.alternatives, plain.fraction)
                yield from self._more(words, after, whole)
                yield after, whole
            if not number.wants_unit and at == end:
                yield end, plain

    def _more(self, words: Words, at: int, first: Amount) -> Iterator[tuple[int, Amount]]:
        """ "two turns and a half", "one turn and thirty degrees" """
        if words[at : at + 1] != ("and",) or first.value.denominator != 1 or first.unit is None:
            return
        for end, number in match_number(words, at + 1, self._boundary):
            part = number.fraction and not number.wants_unit and 0 < number.value < 1
            if part and not any(UNIT_NAMES.match(words, end, {})):  # "a quarter turn" begins something new
                total = first.value + number.value
                yield end, Amount(total, exact_decimal(total), first.unit)
            if first.unit == "turn":
                for after, unit in UNIT_NAMES.match(words, end, {}):
                    if unit == "deg" and number.value > 0:
                        total = first.value + number.value / 360
                        yield after, Amount(total, exact_decimal(total), first.unit)

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, Amount]:
        if "reading" in taken:
            return self._sample_value(rng, taken["reading"])
        return self._sample_turns(rng, taken.get("counter"))

    def _sample_value(self, rng: Random, reading: Reading) -> tuple[Words, Amount]:
        unit = reading.unit if rng.random() < 0.6 else rng.choice(reading.units)
        low = convert(reading.plausible_low, reading.unit, unit)
        high = convert(reading.plausible_high, reading.unit, unit)
        value = _drawn(rng, low, high, reading, unit)
        if rng.random() < 0.15 and plausible_units(value, reading) == (reading.unit,):
            said = ways.number(value, rng)
        else:
            said = ways.amount(value, unit, rng)
        return self._read_back(said)

    def _sample_turns(self, rng: Random, counter: Counter | None) -> tuple[Words, Amount]:
        step = counter.smallest_step if counter else Fraction(1, 4)
        coarse = rng.choice((step, Fraction(1, 4), Fraction(1, 12), Fraction(1, 2)))
        if (coarse / step).denominator != 1:
            coarse = step
        steps = rng.randint(1, max(1, int(rng.choice((1, 1, 2)) / coarse)))
        return self._read_back(ways.turns(steps * coarse, rng))

    def _read_back(self, said: Words) -> tuple[Words, Amount]:
        return said, next(amount for end, amount in self.match(said, 0, {}) if end == len(said))

    def words(self) -> Iterable[str]:
        return (*sorted(lang.NUMBER_WORDS), *sorted(lang.CONNECTIVES), "full", *UNIT_NAMES.words())


def _drawn(rng: Random, low: Decimal, high: Decimal, reading: Reading, unit: str) -> Decimal:
    """A value from ``low`` to ``high``, mostly near the limits, with about as many decimals as its gauge shows."""
    goals = [
        convert(bound, reading.unit, unit) for limit in reading.limits for bound in (limit.low, limit.high) if bound
    ]
    if goals and rng.random() < 0.7:
        middle = float(rng.choice(goals))
        drawn = rng.gauss(middle, max(abs(middle) * 0.25, 1e-3))
        low_high = min(max(drawn, float(low)), float(high))
    else:
        low_high = rng.uniform(float(low), float(high))
    width = float(high - low)
    places = reading.decimals if unit == reading.unit else max(0, 2 - len(str(int(width))) + 1)
    value = Decimal(f"{low_high:.{rng.randint(0, places) if places else 0}f}")
    value += 0  # no minus zero
    return value if low <= value <= high else Decimal(f"{(float(low) + float(high)) / 2:.{places}f}")


class Codes:
    """A spelled serial number or lot."""

    def __init__(self, boundary: NameBoundary) -> None:
        self._boundary = boundary

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, str]]:
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
        identity: Identity | None = taken.get("identity")
        text = draw((identity.pattern if identity else None) or ANY_CODE, rng)
        said = ways.spelled(text, rng)
        return said, next(code for _, code in self.match(said, 0, taken))

    def words(self) -> Iterable[str]:
        return sorted(lang.SPELLING)


ANY_CODE = r"[A-Z]{0,2}[0-9]{2,4}(-[0-9]{1,2})?[A-Z]?"
"""What codes without a pattern are drawn from."""


class Dates:
    """A calendar date with its year in full."""

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, date]]:
        for end in range(min(len(words), start + 16), start, -1):
            if (day := read_date(words[start:end])) is not None:
                yield end, day
                return

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, date]:
        day = date(2026, 1, 1) + timedelta(days=rng.randrange(0, 1500))
        said = ways.month_only(day, rng) if rng.random() < 0.4 else ways.spoken_date(day, rng)
        return said, next(found for _, found in self.match(said, 0, {}))

    def words(self) -> Iterable[str]:
        return (*lang.MONTHS, *lang.ORDINALS, "the", "of", *lang.DIGITS, *lang.TEENS, *lang.TENS, "thousand", "and")


class Counts:
    """How many parts: a whole number, "a", "both", or "all"; the meaning of "all" is the kit's quantity, 0 here."""

    ALL, BOTH = 0, -2

    def __init__(self, boundary: NameBoundary) -> None:
        self._boundary = boundary

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, int]]:
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
        count = rng.choice((1, 1, 1, 2, 2, 3, 4))
        if count == 1:
            return rng.choice((("one",), ("a",))), 1
        return ways.cardinal(count), count

    def words(self) -> Iterable[str]:
        return (*lang.DIGITS, *lang.TEENS, "a", "an", lang.BOTH, lang.ALL)


class Rest:
    """Everything to the end: the words of a note."""

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, Words]]:
        if start < len(words):
            yield len(words), words[start:]

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, Words]:
        said = tuple(rng.choice(lang.NOTE_WORDS) for _ in range(rng.randint(2, 6)))
        return said, said

    def words(self) -> Iterable[str]:
        return lang.NOTE_WORDS
