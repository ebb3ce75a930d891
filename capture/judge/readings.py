"""One reading, spoken or photographed, judged: limits, plausibility, gauge, agreement with the others, advice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from capture.judge.advice import towards_middle
from capture.judge.agreement import Value, agreement_warnings
from capture.judge.decide import too_coarse, verdict, within
from capture.judge.entry import Entry, Moment, Verdict, Warned
from capture.judge.gauges import gauge_of, gauge_uncertainty
from capture.judge.needs import order_warnings
from capture.judge.say import shown, text, with_unit
from capture.judge.uncertainty import round_up
from capture.judge.view import JobView, Standing
from capture.judge.warned import warned
from capture.procedure.model import Limit, Procedure, Reading
from capture.units import convert

ASK = frozenset(
    {
        "out_of_limits",
        "implausible",
        "words_doubtful",
        "unit_assumed",
        "photo_disagrees",
        "repeat_differs",
        "unexpected_change",
        "unexpected_rate",
    }
)
"""Warnings that keep a reading unconfirmed until somebody confirms it."""

HEARD = frozenset({"words_doubtful", "unit_assumed"})
"""Warnings about how something was heard; confirming settles them."""


@dataclass(frozen=True)
class Taken:
    """A reading as it was taken: ``value`` in ``unit`` as said or measured, and where it belongs in the job."""

    reading: Reading
    value: Decimal
    unit: str
    unit_assumed: bool
    via: str
    view: str | None
    expanded: Decimal | None
    """of a photo, in ``unit``; a spoken reading has that of its instrument"""
    stage: str | None
    place: int
    words: str
    alternatives: tuple[Decimal, ...] = ()
    instead: str | None = None
    """id of the entry that it replaces"""
    reservations: tuple[str, ...] = ()


def judge_reading(
    procedure: Procedure,
    view: JobView,
    taken: Taken,
    moment: Moment,
    heard: Sequence[Warned] = (),
    *,
    sure: bool = False,
) -> Entry:
    """The judged entry of a reading.

    ``heard`` are warnings about its words. ``sure``: somebody confirmed it, so it is accepted as it stands.

    Raises:
        UsageError: ``taken.unit`` is not of the reading's quantity.
    """
    reading = taken.reading
    amount = convert(taken.value, taken.unit, reading.unit)
    photo = taken.via == "photo"
    serial, gauge = (None, ()) if photo else gauge_of(procedure, view, reading, taken.place, moment.at.date())
    expanded = _of_photo(taken) if photo else gauge_uncertainty(procedure, reading)
    limit = None if taken.stage is None else reading.limit_at(taken.stage)
    judged = None if limit is None else verdict(amount, expanded, limit, reading.rule, reading.unit)
    value = Value(reading, amount, expanded, taken.via, taken.stage, taken.place, taken.instead)
    plausible = _plausible(reading, amount)
    warnings = [
        *(() if sure else (*heard, *_assumed(taken), *_ambiguous(taken))),
        *(() if plausible else (_implausible(taken, amount),)),
        *_limit_warnings(taken, amount, expanded, limit, judged, sure=sure),
        *_reservations(taken),
        *gauge,
        *order_warnings(procedure, view, "reading", reading.id, taken.place),
        *(agreement_warnings(procedure, view, value, sure=sure) if plausible or sure else ()),
    ]
    ask = any(w.id in ASK for w in warnings) or (limit is not None and not within(amount, limit))
    entry = Entry(
        kind="reading",
        stage=taken.stage,
        subject=reading.id,
        status="unconfirmed" if ask and not sure else "accepted",
        words=taken.words,
        data={
            "field": reading.id,
            "value": text(taken.value),
            "unit": taken.unit,
            "amount": text(amount),
            "default_unit": reading.unit,
            "expanded": None if expanded is None else text(expanded),
            "unit_assumed": taken.unit_assumed,
            "via": taken.via,
            "view": taken.view,
            "instrument": serial,
        },
        verdict=judged,
        warnings=tuple(warnings),
        replaces=taken.instead,
    )
    return _advised(procedure, view, taken, entry, limit, moment)


def taken_again(procedure: Procedure, held: Standing) -> Taken:
    """A standing reading as it was taken, in the place where it stands, to be judged again."""
    entry, reading = held.entry, procedure.reading(str(held.entry.subject))
    data = entry.data
    unit = str(data["unit"])
    photo = data["via"] == "photo"
    expanded = None if held.expanded is None or not photo else convert(held.expanded, reading.unit, unit)
    return Taken(
        reading=reading,
        value=Decimal(data["value"]),
        unit=unit,
        unit_assumed=bool(data["unit_assumed"]),
        via=str(data["via"]),
        view=data["view"],
        expanded=expanded,
        stage=entry.stage,
        place=held.place,
        words=entry.words,
        instead=held.id,
        reservations=tuple(w.sentence for w in entry.warnings if w.id == "photo_doubtful"),
    )


def _of_photo(taken: Taken) -> Decimal | None:
    return None if taken.expanded is None else convert(taken.expanded, taken.unit, taken.reading.unit)


def _plausible(reading: Reading, amount: Decimal) -> bool:
    return reading.plausible_low <= amount <= reading.plausible_high


def _said(reading: Reading, amount: Decimal) -> str:
    return with_unit(shown(amount, reading.decimals), reading.unit)


def _both(taken: Taken, amount: Decimal) -> str:
    """The amount in the default unit, and as it was said when that was another unit."""
    said = _said(taken.reading, amount)
    return said if taken.unit == taken.reading.unit else f"{said} ({with_unit(text(taken.value), taken.unit)} as said)"


def _implausible(taken: Taken, amount: Decimal) -> Warned:
    reading = taken.reading
    return warned(
        "implausible",
        f"{reading.name} of {_both(taken, amount)} is hard to believe; sensible is "
        f"{shown(reading.plausible_low, reading.decimals)} to {_said(reading, reading.plausible_high)}.",
        "Look at the gauge again and say the value with its unit; say confirm if it is really so.",
    )


def _assumed(taken: Taken) -> tuple[Warned, ...]:
    if not taken.unit_assumed:
        return ()
    return (
        warned(
            "unit_assumed",
            f"No unit was said for {taken.reading.name}; {with_unit(text(taken.value), taken.unit)} was taken.",
            "Say confirm if that is right, else say correction and the value with its unit.",
        ),
    )


def _ambiguous(taken: Taken) -> tuple[Warned, ...]:
    reading = taken.reading
    amounts = [alternative for alternative in taken.alternatives if alternative != taken.value]
    likely = [a for a in amounts if _plausible(reading, convert(a, taken.unit, reading.unit))]
    if not likely:
        return ()
    others = " or ".join(text(alternative) for alternative in likely)
    return (
        warned(
            "words_doubtful",
            f"The words for {reading.name} were taken as {with_unit(text(taken.value), taken.unit)}, but may also mean "
            f"{others}.",
            "Say confirm if the value is right, else say correction and the value digit by digit.",
        ),
    )


def _limit_warnings(
    taken: Taken,
    amount: Decimal,
    expanded: Decimal | None,
    limit: Limit | None,
    judged: Verdict | None,
    *,
    sure: bool,
) -> tuple[Warned, ...]:
    reading = taken.reading
    if limit is None or judged is None or judged.outcome == "pass":
        return ()
    known = f", uncertain by {with_unit(text(round_up(expanded, 2)), reading.unit)}" if expanded else ""
    value = f"{reading.name} is {_both(taken, amount)}{known}"
    if judged.outcome == "fail":
        low = limit.low is not None and amount < limit.low
        bound = limit.low if low else limit.high
        side = "below the lower" if low else "above the upper"
        ask = "" if sure else "Say confirm if the value is right. "
        return (
            warned(
                "out_of_limits",
                f"{value}, {side} limit of {'' if bound is None else _said(reading, bound)}.",
                f"{ask}Put it right as the maker's manual says and measure again.",
            ),
        )
    todo = "Measure again, or with a finer gauge; the setting should lie further inside the limits."
    if too_coarse(expanded, limit):
        todo = "This gauge is too coarse for these limits: no value could pass. Measure with a finer one."
    return (warned("guard_band", f"{value}, too close to {_limits(reading, limit)} to be sure.", todo),)


def _limits(reading: Reading, limit: Limit) -> str:
    if limit.low is None or limit.high is None:
        bound = limit.high if limit.low is None else limit.low
        words = "at most" if limit.low is None else "at least"
        return f"the limit of {words} {'' if bound is None else _said(reading, bound)}"
    return f"the limits of {shown(limit.low, reading.decimals)} to {_said(reading, limit.high)}"


def _reservations(taken: Taken) -> tuple[Warned, ...]:
    todo = "Look at the annotated picture before you rely on the value; take another one if in doubt."
    return tuple(warned("photo_doubtful", sentence, todo) for sentence in taken.reservations)


def _advised(
    procedure: Procedure, view: JobView, taken: Taken, entry: Entry, limit: Limit | None, moment: Moment
) -> Entry:
    if limit is None or entry.verdict is None or entry.verdict.outcome == "pass":
        return entry
    if any(w.id == "implausible" for w in entry.warnings):
        return entry
    if any(held.place > taken.place for held in view.each("turn")):
        return entry
    this = Standing("", entry, moment, taken.place)
    return replace(entry, advice=towards_middle(procedure, view, taken.reading, limit, this))
