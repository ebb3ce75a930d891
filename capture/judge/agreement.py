"""Does a reading agree with the others: between stages, repeated, per turn, spoken with photographed.

A difference is unexpected only when it lies outside what is expected by more than the combined expanded uncertainty
sqrt(U1^2 + U2^2) of the two values; an unknown uncertainty adds nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from capture.judge.entry import Warned
from capture.judge.say import direction, name_of, shown, turns, with_unit
from capture.judge.turning import any_moved_between, moved_between
from capture.judge.uncertainty import combined
from capture.judge.view import JobView, Standing
from capture.judge.warned import warned
from capture.procedure.model import Change, Procedure, Rate, Reading
from capture.units import to_decimal


@dataclass(frozen=True)
class Value:
    """A reading that is being judged: amount and expanded uncertainty in the default unit, and where it belongs."""

    reading: Reading
    amount: Decimal
    expanded: Decimal | None
    via: str
    stage: str | None
    place: int
    instead: str | None = None
    """id of the entry that it will replace"""


def agreement_warnings(procedure: Procedure, view: JobView, value: Value, *, sure: bool = False) -> tuple[Warned, ...]:
    """All warnings that come of comparing ``value`` with what stands in ``view``.

    While the spoken and the photographed value disagree, one of them is wrong: that alone is said, and the other
    comparisons wait until somebody has corrected or confirmed one (``sure``).
    """
    others = [held for held in view.readings(value.reading.id) if held.id != value.instead]
    disagrees = tuple(_photo_warnings(view, others, value))
    if disagrees and not sure:
        return disagrees
    return (
        *_change_warnings(procedure, others, value),
        *_rate_warnings(procedure, view, others, value),
        *disagrees,
    )


def _change_warnings(procedure: Procedure, others: list[Standing], value: Value) -> Iterator[Warned]:
    for change in value.reading.changes:
        if change.to_stage == value.stage:
            first = _nearest(
                [held for held in others if held.entry.stage == change.from_stage and held.place < value.place], value
            )
            if first is not None:
                yield from _one_change(procedure, change, value, first.amount, value.amount, first.expanded)
        if change.from_stage == value.stage and change.from_stage != change.to_stage:
            later = [held for held in others if held.entry.stage == change.to_stage and held.place > value.place]
            again = any(held.entry.stage == value.stage and held.place > value.place for held in others)
            second = _nearest(later, value)
            if second is not None and not again:
                yield from _one_change(procedure, change, value, value.amount, second.amount, second.expanded)


def _nearest(held: list[Standing], value: Value) -> Standing | None:
    """The last of ``held`` that was taken in the same way as ``value``; else the last one."""
    same = [item for item in held if item.data["via"] == value.via]
    return (same or held)[-1] if held else None


def _one_change(
    procedure: Procedure, change: Change, value: Value, early: Decimal, late: Decimal, other: Decimal | None
) -> Iterator[Warned]:
    difference, band = late - early, combined(value.expanded, other)
    if _inside(Fraction(difference), change.low, change.high, band):
        return
    reading = value.reading
    stages = f"{name_of(procedure, 'stage', change.from_stage)} to {name_of(procedure, 'stage', change.to_stage)}"
    expected = _range(reading, change.low, change.high)
    allowance = _allowance(reading, band)
    if change.repeat:
        yield warned(
            "repeat_differs",
            f"{reading.name} repeated: {_amount(reading, late)}, before {_amount(reading, early)} ({stages}); a "
            f"difference of {expected} is allowed{allowance}.",
            "Measure once more; if it still differs, the setting has not held: readjust and repeat.",
        )
        return
    yield warned(
        "unexpected_change",
        f"{reading.name} went from {_amount(reading, early)} to {_amount(reading, late)}, {stages}: a change of "
        f"{_amount(reading, difference)}, expected {expected}{allowance}.",
        "Measure both again if you can; look for a part that is loose, tilted or worn.",
    )


def _rate_warnings(procedure: Procedure, view: JobView, others: list[Standing], value: Value) -> Iterator[Warned]:
    previous = _nearest([held for held in others if held.place < value.place], value)
    if previous is None or _change_declared(value.reading, previous.entry.stage, value.stage):
        return
    moved = [
        (rate, net)
        for rate in value.reading.rates
        if (net := moved_between(view, rate.counter, previous.place, value.place)) != 0
    ]
    if len(moved) != 1:
        return
    rate, net = moved[0]
    low, high = rate_range(rate, net)
    difference, band = value.amount - previous.amount, combined(value.expanded, previous.expanded)
    if _inside(Fraction(difference), low, high, band):
        return
    reading, counter = value.reading, procedure.counter(rate.counter)
    yield warned(
        "unexpected_rate",
        f"{reading.name} changed by {_amount(reading, difference)} after {turns(net)} "
        f"{direction(counter, 1 if net > 0 else -1)} of {counter.name}; expected "
        f"{_range(reading, to_decimal(low), to_decimal(high))}{_allowance(reading, band)}.",
        "Check the count of turns and measure again; look for a worn or sticking part before turning on.",
    )


def rate_range(rate: Rate, net: Fraction) -> tuple[Fraction, Fraction]:
    """The least and the greatest expected change of a reading for ``net`` turns, exact, in its default unit."""
    moves = net / rate.per
    one, two = Fraction(rate.low) * moves, Fraction(rate.high) * moves
    return min(one, two), max(one, two)


def _change_declared(reading: Reading, one: str | None, two: str | None) -> bool:
    return one != two and any((change.from_stage, change.to_stage) == (one, two) for change in reading.changes)


def _photo_warnings(view: JobView, others: list[Standing], value: Value) -> Iterator[Warned]:
    counterparts = [held for held in others if held.entry.stage == value.stage and held.data["via"] != value.via]
    if value.stage is None or not counterparts:
        return
    # A correction takes an early place: the counterpart nearest in order is the one of the same state.
    other = min(counterparts, key=lambda held: (abs(held.place - value.place), -held.place))
    if any_moved_between(view, min(other.place, value.place), max(other.place, value.place)):
        return
    band = combined(value.expanded, other.expanded)
    if Fraction(abs(value.amount - other.amount)) <= Fraction(band):
        return
    reading = value.reading
    spoken, seen = (value.amount, other.amount) if value.via == "voice" else (other.amount, value.amount)
    yield warned(
        "photo_disagrees",
        f"{reading.name} was said to be {_amount(reading, spoken)}, but the photo shows {_amount(reading, seen)}; they "
        f"may differ by {_amount(reading, band)} at most.",
        "Measure by hand again and take the picture again; say correction for the value that was wrong.",
    )


def _inside(
    difference: Fraction, low: Decimal | Fraction | None, high: Decimal | Fraction | None, band: Decimal
) -> bool:
    margin = Fraction(band)
    return (low is None or difference >= Fraction(low) - margin) and (
        high is None or difference <= Fraction(high) + margin
    )


def _amount(reading: Reading, amount: Decimal) -> str:
    return with_unit(shown(amount, reading.decimals), reading.unit)


def _range(reading: Reading, low: Decimal | None, high: Decimal | None) -> str:
    if low is None and high is None:
        return "anything"
    if low is None or high is None:
        bound, words = (high, "at most") if low is None else (low, "at least")
        assert bound is not None
        return f"{words} {_amount(reading, bound)}"
    if low == high:
        return _amount(reading, low)
    return f"{shown(low, reading.decimals)} to {_amount(reading, high)}"


def _allowance(reading: Reading, band: Decimal) -> str:
    return f", give or take {_amount(reading, band)} of measurement uncertainty" if band else ""
