"""What a stage still needs, with the words that would supply it, for whoever taps instead of speaking. Pure."""

from __future__ import annotations

from typing import Any

from capture.judge.needs import QUERIED, Missing, missing_in
from capture.judge.view import JobView
from capture.procedure.model import Procedure, Stage


def missing_offers(procedure: Procedure, view: JobView, stage: Stage) -> list[dict[str, Any]]:
    """What is missing in ``stage``: name, why, and how it is said.

    ``begin`` is how the line begins that supplies it, ``ready`` the whole lines that can be sent as they are.
    """
    return [
        {"name": item.name, "why": item.why, "kind": item.kind, "ref": item.ref, **_lines(procedure, item)}
        for item in missing_in(procedure, view, stage)
    ]


def earlier_missing(procedure: Procedure, view: JobView) -> list[dict[str, str]]:
    """What stages that were begun and left still lack: stage, name and why."""
    begun = {held.entry.subject for held in view.each("stage")} - {view.stage}
    return [
        {"stage": stage.name, "name": item.name, "why": item.why}
        for stage in procedure.stages
        if stage.id in begun
        for item in missing_in(procedure, view, stage)
    ]


def stage_offers(procedure: Procedure, view: JobView) -> list[dict[str, Any]]:
    """Every stage with the line that begins it; ``now``, ``done`` (begun before) and ``next`` say where the job is."""
    ids = [stage.id for stage in procedure.stages]
    begun = {held.entry.subject for held in view.each("stage")}
    at = -1 if view.stage is None else ids.index(view.stage)
    return [
        {
            "name": stage.name,
            "say": f"stage {stage.spoken[0]}",
            "now": stage.id == view.stage,
            "done": stage.id in begun and stage.id != view.stage,
            "next": number == at + 1,
        }
        for number, stage in enumerate(procedure.stages)
    ]


def _lines(procedure: Procedure, item: Missing) -> dict[str, Any]:
    if item.why == "is not confirmed":
        return {"begin": "", "ready": [{"label": "confirm", "say": "confirm"}]}
    if item.why == QUERIED and item.kind == "reading":
        words = procedure.reading(item.ref).spoken[0]
        return {"begin": f"{words} ", "ready": [{"label": "confirm", "say": f"confirm {words}"}]}
    match item.kind:
        case "reading":
            return _begin(procedure.reading(item.ref).spoken[0])
        case "identity":
            return _begin(procedure.identity(item.ref).spoken[0])
        case "instrument":
            return _begin(f"using {procedure.instrument(item.ref).spoken[0]}")
        case "check":
            check = procedure.check(item.ref)
            ready = [{"label": a.spoken[0], "say": f"{check.spoken[0]} {a.spoken[0]}"} for a in check.answers]
            return {"begin": "", "ready": ready}
        case "part":
            part = procedure.part(item.ref)
            if "removed" in item.why:
                return {"begin": "", "ready": [{"label": "removed", "say": f"removed {part.spoken[0]}"}]}
            if part.lot_required:
                return _begin(f"fitted {part.spoken[0]} lot")
            return {"begin": "", "ready": [{"label": "fitted", "say": f"fitted {part.spoken[0]}"}]}
        case "turn":
            counter = procedure.counter(item.ref)
            way = f" {counter.directions[0].spoken[0]}" if counter.directions else ""
            return _begin(f"{counter.spoken[0]}{way}")
        case "photo":
            return {"begin": "", "ready": [{"label": "photo", "say": f"photo {procedure.photo(item.ref).spoken[0]}"}]}
        case _:
            return _begin("")


def _begin(words: str) -> dict[str, Any]:
    return {"begin": f"{words} " if words else "", "ready": []}
