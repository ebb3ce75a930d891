"""The end of a stage and of the job: what is missing, what is left over, who has not signed."""

from __future__ import annotations

from capture.judge.entry import Entry, Warned
from capture.judge.kit import balance, balance_warnings
from capture.judge.needs import Missing, missing_in, missing_warnings
from capture.judge.photos import awaited
from capture.judge.say import name_of
from capture.judge.view import JobView
from capture.judge.warned import warned
from capture.procedure.model import Procedure, Stage


def stage_end(procedure: Procedure, view: JobView, stage_id: str) -> Entry:
    """The entry that ends a stage, with what it lacks."""
    stage = procedure.stage(stage_id)
    missing = missing_in(procedure, view, stage)
    return Entry(
        kind="stage_end",
        stage=stage.id,
        subject=stage.id,
        status="accepted",
        words="",
        data={"stage": stage.id, "missing": [item.plain() for item in missing]},
        warnings=(*missing_warnings(procedure, stage, missing), *_awaited(procedure, view, stage, missing)),
    )


def job_end(procedure: Procedure, view: JobView, last: Entry | None) -> Entry:
    """The entry that ends the job. ``last`` is the end of the last stage, not in ``view`` yet.

    What a stage's own end has already warned of is listed, but not warned of a second time.
    """
    told = _told(view, last)
    missing: list[dict[str, str]] = []
    warnings: list[Warned] = []
    for stage in procedure.stages:
        lacking = missing_in(procedure, view, stage)
        missing += [{"stage": stage.id, **item.plain()} for item in lacking]
        fresh = tuple(item for item in lacking if (stage.id, item.kind, item.ref) not in told)
        warnings += _fresh(procedure, view, stage, fresh)
    unsigned = _unsigned(procedure, view)
    return Entry(
        kind="job_end",
        stage=view.stage,
        subject=procedure.id,
        status="accepted",
        words="",
        data={
            "missing": missing,
            "kit": [line.plain() for line in balance(procedure, view)],
            "unsigned": unsigned,
            "unconfirmed": [held.id for held in view.standing if not held.accepted],
        },
        warnings=(*warnings, *balance_warnings(procedure, view), *(_unsigned_notice(procedure, r) for r in unsigned)),
    )


def _told(view: JobView, last: Entry | None) -> set[tuple[str | None, str, str]]:
    ends = [item.entry for item in view.recorded if item.entry.kind == "stage_end"]
    if last is not None:
        ends.append(last)
    return {(end.stage, item["kind"], item["ref"]) for end in ends for item in end.data["missing"]}


def _fresh(procedure: Procedure, view: JobView, stage: Stage, fresh: tuple[Missing, ...]) -> tuple[Warned, ...]:
    if not fresh:
        return ()
    if any(item.entry.kind == "stage" and item.entry.subject == stage.id for item in view.recorded):
        return missing_warnings(procedure, stage, fresh)
    names = ", ".join(dict.fromkeys(item.name for item in fresh))
    return (
        warned(
            "missing_at_stage_end",
            f"{stage.name} was never begun; missing of it: {names}.",
            f"Go back to {stage.name}, or say in a note why it does not apply.",
        ),
    )


def _awaited(procedure: Procedure, view: JobView, stage: Stage, missing: tuple[Missing, ...]) -> list[Warned]:
    listed = {item.ref for item in missing if item.kind == "photo"}
    asked = dict.fromkeys(held.entry.subject for held in view.each("photo_asked", stage=stage.id))
    return [
        warned(
            "photo_awaited",
            f"The picture {name_of(procedure, 'photo', ref)} was asked for in {stage.name}, but none came.",
            "Take the picture now, or say in a note why there is none.",
        )
        for ref in asked
        if ref is not None and ref not in listed and awaited(view, ref, refused_answers=True) is not None
    ]


def _unsigned(procedure: Procedure, view: JobView) -> list[str]:
    signed = {held.entry.subject for held in view.each("sign_off") if held.accepted}
    return [role.id for role in procedure.roles if role.id not in signed]


def _unsigned_notice(procedure: Procedure, role: str) -> Warned:
    name = name_of(procedure, "sign_off", role)
    return warned("role_unsigned", f"The {name} has not signed.", f"Let the {name} look through the record and sign.")
