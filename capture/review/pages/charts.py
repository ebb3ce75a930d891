"""Charts of a job and of a unit, where people look rather than read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import Any

from markupsafe import Markup

from capture.record.times import parse_time
from capture.review import wording as w
from capture.review.items import Item
from capture.review.names import Names
from capture.review.pages.drawing import Band, Chart, Dot, draw
from capture.review.story import Story


def charts_of(story: Story, names: Names) -> list[Markup]:
    """A job's charts: each reading through the stages, and against the turns of each counter that was moved."""
    found = []
    for field in _fields(story):
        readings = [item for item in story.each("reading") if item.subject == field]
        chart = _through_stages(field, readings, names)
        if chart is not None:
            found.append(draw(chart))
        found += [
            draw(turned)
            for counter in _counters(story)
            if (turned := _against_turns(field, counter, readings, story, names)) is not None
        ]
    return found


def years_charts(rows: Sequence[Mapping[str, Any]], field: str) -> list[Markup]:
    """One unit's values of a reading over the years, a chart for each stage in which two jobs or more have one.

    Args:
        rows: of ``lookups.drift_of``.
        field: the reading's id.
    """
    known = [row for row in rows if row["stands"] == "yes" and _number(row["amount"]) is not None]
    stages = dict.fromkeys(row["stage"] for row in known)
    found = []
    for stage in stages:
        here = [row for row in known if row["stage"] == stage]
        if len({row["job"] for row in here}) > 1:
            found.append(draw(_over_years(here, f"{w.titled(field)}, {w.spaced(stage)}, over the years")))
    return found


def _over_years(rows: Sequence[Mapping[str, Any]], title: str) -> Chart:
    unit = w.symbol(rows[0]["amount_unit"])
    dots = tuple(
        Dot(
            _years(row["at"]),
            _number(row["amount"]) or 0.0,
            _number(row["expanded"]) or 0.0,
            w.plain(row["via"]) or "voice",
            f"{w.day(row['at'])}: {w.number(row['amount'])} {unit}",
        )
        for row in rows
    )
    first, last = min(dot.x for dot in dots), max(dot.x for dot in dots)
    spare = max((last - first) * 0.06, 0.02)
    span = (first - spare, last + spare)
    years = [year for year in range(int(first), int(last) + 2) if span[0] <= year <= span[1]]
    marks = tuple((float(year), str(year)) for year in years[:: max(1, len(years) // 8)])
    if len(marks) < 2:
        marks = ((first, w.day(rows[0]["at"])), (last, w.day(rows[-1]["at"])))
    latest = rows[-1]
    low, high = _number(latest["low"]), _number(latest["high"])
    bands = () if low is None and high is None else (Band(*span, low, high),)
    return Chart(title, "", unit, dots, bands, marks, joined=False, span=span)


def _fields(story: Story) -> list[str]:
    return list(dict.fromkeys(item.subject for item in story.each("reading") if item.subject))


def _counters(story: Story) -> list[str]:
    return list(dict.fromkeys(item.subject for item in story.each("turn") if item.subject))


def _through_stages(field: str, readings: Sequence[Item], names: Names) -> Chart | None:
    """Each value in its stage, with what the limits allow there."""
    stages = sorted({item.stage for item in readings if item.stage}, key=lambda stage: names.position("stage", stage))
    if len(stages) < 2:
        return None
    dots, bands = [], []
    for at, stage in enumerate(stages):
        here = [item for item in readings if item.stage == stage and _amount(item) is not None]
        for number, item in enumerate(here):
            x = at + (number + 1) / (len(here) + 1)
            dots.append(_dot(item, x, names))
        limits = next((item.verdict for item in here if item.verdict), None)
        if limits is not None:
            bands.append(Band(at, at + 1, _number(limits.get("low")), _number(limits.get("high"))))
    marks = tuple((at + 0.5, names.stage(stage)) for at, stage in enumerate(stages))
    title = f"{names.of('reading', field)} through the stages"
    span = (0.0, float(len(stages)))
    return Chart(title, "", _unit(readings), tuple(dots), tuple(bands), marks, span=span)


def _against_turns(field: str, counter: str, readings: Sequence[Item], story: Story, names: Names) -> Chart | None:
    """Each value at the net turns made when it was taken, in the stages in which the counter moved."""
    moves = [item for item in story.each("turn") if item.subject == counter]
    moved = {item.stage for item in moves}
    dots = []
    for item in readings:
        turned = sum((_turned(move) for move in moves if move.row.seq < item.row.seq), Fraction(0))
        if item.stage in moved and _amount(item) is not None:
            dots.append(_dot(item, float(turned), names, f" at {w.turns(str(turned))}"))
    places = sorted({dot.x for dot in dots})
    if len(places) < 2:
        return None
    limits = next((item.verdict for item in reversed(readings) if item.stage in moved and item.verdict), None)
    reach = (places[-1] - places[0]) * 0.15
    bands: tuple[Band, ...] = ()
    if limits is not None:
        low, high = _number(limits.get("low")), _number(limits.get("high"))
        bands = (Band(places[0] - reach, places[-1] + reach, low, high),)
    marks = tuple((place, w.number(str(Fraction(place).limit_denominator(48)))) for place in _thinned(places))
    title = f"{names.of('reading', field)} against turns of {names.of('turn', counter).lower()}"
    return Chart(title, "turns, net", _unit(readings), tuple(dots), bands, marks)


def _thinned(places: list[float]) -> list[float]:
    return places[:: max(1, len(places) // 6)]


def _dot(item: Item, x: float, names: Names, where: str = "") -> Dot:
    words = f"{names.stage(item.stage)}, {w.clock(item.row.at)}: {item.value}{where}"
    expanded = _number(item.data.get("expanded")) or 0.0
    return Dot(x, _amount(item) or 0.0, expanded, w.plain(item.data.get("via")) or "voice", words)


def _turned(move: Item) -> Fraction:
    try:
        return Fraction(w.plain(move.data.get("turns")))
    except (ValueError, ZeroDivisionError):
        return Fraction(0)


def _amount(item: Item) -> float | None:
    return _number(item.data.get("amount"))


def _unit(readings: Sequence[Item]) -> str:
    return next((w.symbol(item.data.get("default_unit")) for item in readings), "")


def _number(value: Any) -> float | None:
    try:
        found = Decimal(str(value))
    except InvalidOperation:
        return None
    return float(found) if found.is_finite() else None


def _years(at: str) -> float:
    """A time as a year with its fraction."""
    moment = parse_time(at)
    begin = datetime(moment.year, 1, 1, tzinfo=moment.tzinfo)
    end = datetime(moment.year + 1, 1, 1, tzinfo=moment.tzinfo)
    return moment.year + (moment - begin) / (end - begin)
