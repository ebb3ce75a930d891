"""A picture that was looked at: kept as a photo, and its value judged as a reading like any other."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal

from capture.judge.body import plain
from capture.judge.common import Case, no_stage_warnings, not_understood
from capture.judge.entry import Entry, PhotoResult, Status, Warned
from capture.judge.needs import order_warnings
from capture.judge.readings import Taken, judge_reading
from capture.judge.say import shown
from capture.judge.uncertainty import round_up
from capture.judge.view import JobView, Standing
from capture.judge.warned import warned
from capture.procedure.model import PhotoView
from capture.units import UNITS

_PLACES = 3
_RESERVED = "Look at the annotated picture before you rely on the value; take another one if in doubt."


def photo(case: Case, result: PhotoResult, measured: Standing | None = None) -> tuple[Entry, ...]:
    """The photo's entry and, when it was measured for a reading, that reading's entry after it.

    A picture belongs to the stage in which it was asked for, also when the next stage has begun since. With
    ``case.instead`` an earlier picture's measurement is made anew: the new entries take the place of that photo and of
    ``measured``, the reading that was taken from it, if there is one.
    """
    known = next((view for view in case.procedure.photos if view.id == result.view), None)
    if known is None:
        sentence = f"The procedure has no photo view '{result.view}'; the picture is kept but was not judged."
        return (not_understood(case, "", sentence),)
    result = _sound(result, known)
    asked = awaited(case.view, known.id, refused_answers=False)
    stage = case.stage if asked is None or case.instead is not None else asked.entry.stage
    usable = result.outcome == "measured" and known.measures is not None
    to_reading = usable and _length(case, known)
    entry = _photo_entry(case, known, result, stage, reserved=not to_reading)
    if not to_reading or known.reading is None or result.value_mm is None:
        return (entry,)
    taken = Taken(
        reading=case.procedure.reading(known.reading),
        value=Decimal(shown(Decimal(repr(result.value_mm)), _PLACES)),
        unit="mm",
        unit_assumed=False,
        via="photo",
        view=known.id,
        expanded=None if result.expanded_mm is None else round_up(Decimal(repr(result.expanded_mm))),
        stage=stage,
        place=case.place + 1 if measured is None else measured.place,
        words="",
        instead=None if measured is None else measured.id,
        reservations=tuple(sentence for _, sentence in result.flags),
    )
    return entry, judge_reading(case.procedure, case.view, taken, case.moment)


def awaited(view: JobView, photo_view: str, *, refused_answers: bool) -> Standing | None:
    """The last request for this picture that no picture has answered yet; whether a refused one is an answer."""
    asked = view.last("photo_asked", photo_view)
    if asked is None:
        return None
    taken = any(
        (item.entry.kind, item.entry.subject) == ("photo", photo_view)
        and (refused_answers or item.entry.data["outcome"] != "refused")
        for item in view.recorded[asked.place + 1 :]
    )
    return None if taken else asked


def _sound(result: PhotoResult, known: PhotoView) -> PhotoResult:
    """The result without amounts that are none: a value that is not a finite number is a refusal."""
    if result.expanded_mm is not None and not (math.isfinite(result.expanded_mm) and result.expanded_mm >= 0):
        result = replace(result, expanded_mm=None)
    if known.measures is None:
        return result
    if result.outcome == "measured" and (result.value_mm is None or not math.isfinite(result.value_mm)):
        sentence = result.sentence or "The measurement gave no number."
        return replace(result, outcome="refused", value_mm=None, reason=result.reason or "no_value", sentence=sentence)
    return result


def _length(case: Case, known: PhotoView) -> bool:
    if known.reading is None:
        return False
    return UNITS[case.procedure.reading(known.reading).unit].quantity == "length"


def _photo_entry(case: Case, known: PhotoView, result: PhotoResult, stage: str | None, *, reserved: bool) -> Entry:
    warnings: list[Warned] = [*no_stage_warnings(case)] if stage is None else []
    if known.measures is not None and result.outcome != "measured":
        why = f": {result.sentence}" if result.sentence else "."
        warnings.append(
            warned(
                "photo_refused",
                f"The picture {known.name} was not measured{why}",
                "Take the picture again as the sentence says; the first one is kept.",
            )
        )
    if reserved:
        warnings += [warned("photo_doubtful", sentence, _RESERVED) for _, sentence in result.flags]
    warnings += order_warnings(case.procedure, case.view, "photo", known.id, case.place)
    status: Status = "not_accepted" if result.outcome == "refused" else "accepted"
    return Entry(
        kind="photo",
        stage=stage,
        subject=known.id,
        status=status,
        words="",
        data={
            "view": known.id,
            "outcome": result.outcome,
            "reason": result.reason,
            "sentence": result.sentence,
            "measurement": plain(result.measurement),
        },
        warnings=tuple(warnings),
        replaces=case.replaces,
    )
