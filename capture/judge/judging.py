"""The judge: a statement or photo and the job so far in, judged entries out. It never raises on what was said."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from capture.judge import said as entries
from capture.judge.clock import clock_warnings
from capture.judge.common import Case, entry_of, heard_warnings, not_understood, refused
from capture.judge.ending import job_end, stage_end
from capture.judge.entry import Candidate, Entry, Moment, Warned
from capture.judge.photos import photo
from capture.judge.say import knows, name_of, unit_words
from capture.judge.talk import after_sign_off, command, corrected, unclear, withdraw_last
from capture.judge.view import JobView, Standing
from capture.judge.warned import warned
from capture.phrases.statements import (
    CheckSaid,
    CommandSaid,
    CorrectionSaid,
    IdentitySaid,
    InstrumentSaid,
    NoteSaid,
    NotUnderstood,
    PartSaid,
    PhotoSaid,
    ReadingSaid,
    Refused,
    Said,
    SignOffSaid,
    StageSaid,
    TurnSaid,
)
from capture.procedure.model import Procedure
from capture.units import UNITS

_VALUES: Mapping[type[Said], Callable[[Case, Any], Entry]] = {
    ReadingSaid: entries.reading,
    TurnSaid: entries.turn,
    CheckSaid: entries.check,
    PartSaid: entries.part,
    InstrumentSaid: entries.instrument,
    IdentitySaid: entries.identity,
    PhotoSaid: entries.photo_asked,
    NoteSaid: entries.note,
    SignOffSaid: entries.sign_off,
}

_REFS: Mapping[type[Said], tuple[str, str]] = {
    ReadingSaid: ("reading", "field"),
    TurnSaid: ("turn", "counter"),
    CheckSaid: ("check", "check"),
    PartSaid: ("part", "part"),
    InstrumentSaid: ("instrument", "kind"),
    IdentitySaid: ("identity", "field"),
    PhotoSaid: ("photo", "view"),
    SignOffSaid: ("sign_off", "role"),
    StageSaid: ("stage", "stage"),
}
"""By type of statement: the kind of thing it names, and the attribute that holds that thing's id."""


def judge(procedure: Procedure, view: JobView, candidate: Candidate, moment: Moment) -> tuple[Entry, ...]:
    """Judge one candidate against the job so far.

    Usually one entry comes back. A change of stage gives the end of the old stage first; a measured photo gives the
    photo and then its reading; *confirm* gives the entry that was waiting, now accepted; a correction whose new words
    were not understood gives the withdrawal and the words.
    """
    case = Case(procedure, view, candidate, moment)
    if candidate.photo is not None:
        found = photo(case, candidate.photo)
    elif isinstance(candidate.statement, Said):
        found = _statement(case, candidate.statement)
    else:
        found = (not_understood(case, "", "Nothing was heard; say it again."),)
    return _with_common(case, found)


def judge_instead(
    procedure: Procedure,
    view: JobView,
    candidate: Candidate,
    target: Standing,
    measured: Standing | None = None,
) -> tuple[Entry, ...]:
    """Judge what a reviewer puts in the place of a standing entry, as of the moment when that one was taken.

    Args:
        procedure: the kind of job.
        view: the job so far.
        candidate: a statement about the same thing, or a picture's measurement made anew.
        target: the entry whose place it takes.
        measured: for a picture, the reading that was taken from it.
    """
    case = Case(procedure, view, candidate, target.moment, instead=target)
    if candidate.photo is not None:
        found = photo(case, candidate.photo, measured)
    elif isinstance(candidate.statement, Said):
        found = _statement(case, candidate.statement)
    else:
        return ()
    changed = after_sign_off(case, target)
    return (*found[:-1], replace(found[-1], warnings=(*found[-1].warnings, *changed)))


def finish(procedure: Procedure, view: JobView, moment: Moment) -> tuple[Entry, ...]:
    """End the job: the end of the last stage, if one has begun, and the end of the job."""
    last = None if view.stage is None else stage_end(procedure, view, view.stage)
    end = job_end(procedure, view, last)
    found = (end,) if last is None else (last, end)
    first = replace(found[0], warnings=(*found[0].warnings, *clock_warnings(view, moment)))
    return (first, *found[1:])


def _statement(case: Case, said: Said) -> tuple[Entry, ...]:
    if isinstance(said, CorrectionSaid):
        return _correction(case, said)
    if isinstance(said, CommandSaid):
        return command(case, said)
    if isinstance(said, Refused):
        return (refused(case, said, said.reason, said.sentence, said.field),)
    if isinstance(said, NotUnderstood):
        return (not_understood(case, said.words, said.sentence),)
    fault = _fault(case, said)
    if fault is not None:
        return (fault,)
    if isinstance(said, StageSaid):
        return _stage(case, said)
    make = _VALUES.get(type(said))
    if make is None:
        return (not_understood(case, said.words, "These words fit nothing that can be judged; say it another way."),)
    return (make(case, said),)


def _correction(case: Case, said: CorrectionSaid) -> tuple[Entry, ...]:
    inner = said.statement
    if inner is None:
        return unclear(case, said, "correction") if case.candidate.doubts else withdraw_last(case, said)
    if isinstance(inner, CorrectionSaid):
        return _correction(case, inner)
    if isinstance(inner, CommandSaid):
        return command(case, inner)
    # The words carry the whole correction, so that nothing of the utterance is lost.
    whole = replace(inner, words=said.words, span=said.span)
    if isinstance(inner, Refused | NotUnderstood) or _fault(case, inner) is not None:
        field = inner.field if isinstance(inner, Refused | ReadingSaid) else None
        known = field if knows(case.procedure, "reading", field) else None
        return (*withdraw_last(case, said, known), *_statement(case, whole))
    target = corrected(case.view, inner)
    if target is None:
        return _statement(case, whole)
    found = _statement(replace(case, instead=target), whole)
    changed = after_sign_off(case, target)
    return (*found[:-1], replace(found[-1], warnings=(*found[-1].warnings, *changed)))


def _stage(case: Case, said: StageSaid) -> tuple[Entry, ...]:
    held = [item for item in case.view.each("stage", before=case.place) if item.id != case.replaces]
    current = held[-1].entry.subject if held else None
    warnings = (*heard_warnings(case.candidate), *_skipped(case, current, said.stage))
    begun = replace(
        entry_of(case, said, "stage", said.stage, {"stage": said.stage}, warnings),
        stage=said.stage,
    )
    if case.instead is not None or current is None or current == said.stage:
        return (begun,)
    return stage_end(case.procedure, case.view, current), begun


def _skipped(case: Case, current: str | None, new: str) -> tuple[Warned, ...]:
    order = [stage.id for stage in case.procedure.stages]
    first = 0 if current is None else order.index(current) + 1
    begun = {held.entry.subject for held in case.view.each("stage") if held.id != case.replaces}
    names = [name_of(case.procedure, "stage", stage) for stage in order[first : order.index(new)] if stage not in begun]
    if not names:
        return ()
    return (
        warned(
            "out_of_order",
            f"{name_of(case.procedure, 'stage', new)} was begun, but {', '.join(names)} was skipped.",
            "Go back to what was skipped, or say in a note why it does not apply.",
        ),
    )


def _fault(case: Case, said: Said) -> Entry | None:
    """Why a statement cannot be judged, as a refused entry; None when it can."""
    kind, attribute = _REFS.get(type(said), (None, None))
    if kind is not None and attribute is not None and not knows(case.procedure, kind, getattr(said, attribute)):
        ref = getattr(said, attribute)
        return refused(case, said, "not_in_procedure", f"The procedure has no '{ref}'; say one of its own names.")
    if isinstance(said, ReadingSaid):
        return _reading_fault(case, said)
    if isinstance(said, CheckSaid):
        known = case.procedure.check(said.check)
        if all(answer.id != said.answer for answer in known.answers):
            answers = " or ".join(answer.spoken[0] for answer in known.answers if answer.spoken)
            return refused(case, said, "not_in_procedure", f"{known.name}: answer {answers}.")
    if isinstance(said, PartSaid) and said.quantity < 1:
        return refused(case, said, "bad_number", "At least one part must be fitted or removed; say the number again.")
    return None


def _reading_fault(case: Case, said: ReadingSaid) -> Entry | None:
    reading = case.procedure.reading(said.field)
    unit = UNITS.get(said.unit)
    if unit is None or unit.quantity != UNITS[reading.unit].quantity:
        wanted = " or ".join(unit_words(known) for known in reading.units)
        sentence = f"{reading.name} cannot be in {unit_words(said.unit)}; say it in {wanted}."
        return refused(case, said, "wrong_unit", sentence, reading.id)
    if not said.value.is_finite():
        return refused(case, said, "bad_number", f"{reading.name} is not a number; say it again.", reading.id)
    return None


def _with_common(case: Case, found: tuple[Entry, ...]) -> tuple[Entry, ...]:
    """Add what concerns the candidate as a whole: the clock to the first entry, missing proof to its own first one."""
    clock = clock_warnings(case.view, case.moment)
    own = next((index for index, entry in enumerate(found) if entry.kind != "stage_end"), 0)
    proof = () if case.candidate.has_media else (_no_media(case),)
    return tuple(
        replace(
            entry,
            warnings=(*entry.warnings, *(proof if index == own else ()), *(clock if index == 0 else ())),
        )
        for index, entry in enumerate(found)
    )


def _no_media(case: Case) -> Warned:
    if case.candidate.photo is not None:
        return warned("media_missing", "The picture could not be kept.", "Free the disk and take the picture again.")
    return warned(
        "media_missing",
        "The sound of these words could not be kept.",
        "Free the disk or check the record, and say it again.",
    )
