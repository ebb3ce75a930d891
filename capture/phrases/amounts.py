"""Slots that take a number with its unit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from random import Random

from capture.phrases import ways
from capture.phrases.grammar import Taken, Words
from capture.phrases.names import Names
from capture.phrases.number import Number, exact_decimal, read_number
from capture.phrases.plausible import plausible_units
from capture.procedure import language as lang
from capture.procedure.inside import phrases
from capture.procedure.model import Counter, Reading
from capture.units import UNITS, convert

NameLength = Callable[[Words, int], int]
"""How many words a name of the procedure has that begins here; 0 for none."""

NameBoundary = Callable[[Words, int], bool]
"""Whether a name that begins with a number word ("oh rings") begins here, so that a number ends before it."""

UNIT_NAMES = Names({form: unit.id for unit in UNITS.values() for form in phrases(unit.forms)})
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
    """The number that the whole run from ``start`` is. Connectives at its end may be left to what follows, save after
    a fraction: in "half a turn" the article belongs to it."""
    end = run_end = number_end(words, start, boundary)
    while end > start:
        number = read_number(words[start:end])
        if number and (end == run_end or words[end] == "and" or not number.fraction):
            yield end, number
        if words[end - 1] not in lang.CONNECTIVES:
            return
        end -= 1


class Amounts:
    """A number and its unit, a reading's or (``quantity`` angle) a counter's."""

    def __init__(self, boundary: NameBoundary, name_length: NameLength) -> None:
        self._boundary, self._name_length = boundary, name_length

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, Amount]]:
        """See `Slot.match`."""
        for end, number in match_number(words, start, self._boundary):
            plain = Amount(number.value, number.text, None, number.alternatives, number.fraction)
            at = end + 1 if words[end : end + 1] == ("full",) else end
            for after, unit in self._units(words, at):
                whole = Amount(plain.value, plain.text, unit, plain.alternatives, plain.fraction)
                yield from self._more(words, after, whole)
                yield after, whole
            if not number.wants_unit and at == end:
                yield end, plain

    def _units(self, words: Words, at: int) -> Iterator[tuple[int, str]]:
        """Units said at ``at``, none reaching into a name: "ten inches" before "water gauge", not "inches water"."""
        for after, unit in UNIT_NAMES.match(words, at, {}):
            if all(self._name_length(words, inner) <= after - inner for inner in range(at + 1, after)):
                yield after, unit

    def _more(self, words: Words, at: int, first: Amount) -> Iterator[tuple[int, Amount]]:
        """ "one turn and a half", "one turn and thirty degrees", "two minutes thirty seconds": for turns and minutes
        only, since elsewhere what follows the "and" is more likely a new entry. Minutes and seconds are seconds."""
        linked = words[at : at + 1] == ("and",)
        if first.value.denominator != 1 or first.unit not in ("turn", "min") or not (linked or first.unit == "min"):
            return
        for end, number in match_number(words, at + linked, self._boundary):
            rest, unit = next(self._units(words, end), None), first.unit
            total = None
            if linked and number.fraction and not number.wants_unit and 0 < number.value < 1 and end == len(words):
                total, after = first.value + number.value, end
            elif rest and (unit, rest[1]) == ("turn", "deg") and number.value > 0:
                total, after = first.value + number.value / 360, rest[0]
            elif rest and (unit, rest[1]) == ("min", "s") and first.value >= 0 and 0 < number.value < 60:
                total, after, unit = 60 * first.value + number.value, rest[0], "s"
            if total is not None:
                yield after, Amount(total, exact_decimal(total), unit)

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, Amount]:
        """See `Slot.sample`."""
        if "reading" in taken:
            return self._sample_value(rng, taken["reading"])
        return self._sample_turns(rng, taken.get("counter"))

    def _sample_value(self, rng: Random, reading: Reading) -> tuple[Words, Amount]:
        unit = reading.unit if rng.random() < 0.6 else rng.choice(reading.units)
        low = convert(reading.plausible_low, reading.unit, unit)
        high = convert(reading.plausible_high, reading.unit, unit)
        value = _drawn(rng, low, high, reading, unit)
        if rng.random() < 0.15 and plausible_units(value, reading) == (reading.unit,):
            return self._meant(ways.number(value, rng), Fraction(value), None)
        return self._meant(ways.amount(value, unit, rng), Fraction(value), unit)

    def _sample_turns(self, rng: Random, counter: Counter | None) -> tuple[Words, Amount]:
        step = counter.smallest_step if counter else Fraction(1, 4)
        coarse = rng.choice((step, Fraction(1, 4), Fraction(1, 12), Fraction(1, 2)))
        if (coarse / step).denominator != 1:
            coarse = step
        turns = rng.randint(1, max(1, int(rng.choice((1, 1, 2)) / coarse))) * coarse
        return self._meant(ways.turns(turns, rng), turns, "turn")

    def _meant(self, said: Words, value: Fraction, unit: str | None) -> tuple[Words, Amount]:
        """What was drawn, with the other values that its words may mean."""
        others = (amount.alternatives for end, amount in self.match(said, 0, {}) if end == len(said))
        return said, Amount(value, exact_decimal(value), unit, next(others, ()))

    def words(self) -> Iterable[str]:
        """See `Slot.words`."""
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
