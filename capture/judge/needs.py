"""What a stage must contain and what must come first: what is on record of it, and what is not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from capture.judge import kit
from capture.judge.entry import Warned
from capture.judge.say import NEED_VERBS, name_of
from capture.judge.view import JOB_WIDE, JobView, Standing
from capture.judge.warned import warned
from capture.procedure.model import Need, Part, Procedure, Stage

_ACTS = {
    "identity": "say it",
    "instrument": "say that it is in use",
    "reading": "take it and say it",
    "turn": "turn it and say how far",
    "check": "look and say the answer",
    "part": "fit it and say so, or say why not in a note",
    "photo": "take the picture",
}

REJECTED = "was rejected by the reviewer"
QUERIED = "was queried by the reviewer"


@dataclass(frozen=True)
class Missing:
    """A need that is not met. ``why`` completes a sentence that begins with the name."""

    kind: str
    ref: str
    name: str
    why: str

    def plain(self) -> dict[str, str]:
        """As an entry's data holds it."""
        return {"kind": self.kind, "ref": self.ref, "name": self.name, "why": self.why}


def missing_in(procedure: Procedure, view: JobView, stage: Stage) -> tuple[Missing, ...]:
    """What ``stage`` needs and has not got, in the procedure's order. The whole kit counts part by part.

    Where several stages ask for a part, the last of them wants it fitted and the others the old ones removed.
    """
    found = []
    for need in stage.needs:
        for single in _singles(procedure, need):
            why = _why_missing(procedure, view, stage, single)
            if why is not None:
                why = _reviewed(view, stage, single) or why
                found.append(Missing(single.kind, single.ref, name_of(procedure, single.kind, single.ref), why))
    return tuple(found)


def missing_warnings(procedure: Procedure, stage: Stage, missing: tuple[Missing, ...]) -> tuple[Warned, ...]:
    """One warning for each thing that ``stage`` ended without."""
    return tuple(
        warned(
            "missing_at_stage_end",
            f"{stage.name} ended, but {item.name} {item.why}.",
            f"Go back and {_act(item)}.",
        )
        for item in missing
    )


def order_warnings(procedure: Procedure, view: JobView, kind: str, ref: str, before: int) -> tuple[Warned, ...]:
    """Warnings for doing ``kind`` ``ref`` at place ``before`` while something that must come first is not on record."""
    found = []
    for order in procedure.orders:
        if order.then.kind == kind and order.then.ref in _refs(kind, ref):
            names = [
                name_of(procedure, single.kind, single.ref)
                for single in _singles(procedure, order.first)
                if (single.kind, single.ref) != (kind, ref) and not _on_record(procedure, view, single, before)
            ]
            if names:
                found.append(
                    warned(
                        "out_of_order",
                        f"{name_of(procedure, kind, ref)} came before {_list(names)}. {order.sentence}".strip(),
                        f"Undo it, do {_list(names)} first and say so; or say in a note why the order was changed.",
                    )
                )
    return tuple(found)


def _refs(kind: str, ref: str) -> tuple[str, ...]:
    return (ref, "*") if kind == "part" else (ref,)


def _singles(procedure: Procedure, need: Need) -> Iterator[Need]:
    if need.kind == "part" and need.ref == "*":
        yield from (Need("part", part.id) for part in procedure.parts)
    else:
        yield need


def _on_record(procedure: Procedure, view: JobView, need: Need, before: int) -> bool:
    match need.kind:
        case "part":
            counted = kit.count(view, need.ref, "fitted", confirmed=False, before=before)
            return counted >= procedure.part(need.ref).quantity
        case "photo":
            return any(_good_photo(procedure, held) for held in view.each("photo", need.ref, before=before))
        case _:
            return view.last(need.kind, need.ref, before=before) is not None


def _why_missing(procedure: Procedure, view: JobView, stage: Stage, need: Need) -> str | None:
    match need.kind:
        case "part":
            return _part(procedure, view, stage, need)
        case "photo":
            return _photo(procedure, view, stage, need)
        case "reading":
            return _reading(procedure, view, stage, need)
        case "identity" | "instrument":
            return _held(view.last(need.kind, need.ref), need)
        case _:
            return _held(view.last(need.kind, need.ref, stage=stage.id), need)


def _reviewed(view: JobView, stage: Stage, need: Need) -> str | None:
    """That something is missing because a reviewer asked for it again."""
    for held in reversed(view.returned):
        if (held.entry.kind, held.entry.subject) == (need.kind, need.ref) and (
            held.entry.stage == stage.id or need.kind in JOB_WIDE
        ):
            return QUERIED if held.queried else REJECTED
    return None


def _held(held: Standing | None, need: Need) -> str | None:
    if held is None:
        return NEED_VERBS[need.kind]
    return None if held.accepted else "is not confirmed"


def _reading(procedure: Procedure, view: JobView, stage: Stage, need: Need) -> str | None:
    # Where the stage also asks for a picture that measures the reading, both are wanted: they check each other.
    own_photo = any(other.kind == "photo" and procedure.photo(other.ref).reading == need.ref for other in stage.needs)
    held = [
        item
        for item in view.each("reading", need.ref, stage=stage.id)
        if not (own_photo and item.data["via"] == "photo")
    ]
    return _held(held[-1] if held else None, need)


def _photo(procedure: Procedure, view: JobView, stage: Stage, need: Need) -> str | None:
    held = list(view.each("photo", need.ref, stage=stage.id))
    if any(_good_photo(procedure, item) and item.accepted for item in held):
        return None
    taken = any(
        (item.entry.kind, item.entry.subject, item.entry.stage) == ("photo", need.ref, stage.id)
        and item.entry.data["outcome"] != "measured"
        for item in view.recorded
    )
    return "was photographed but not measured" if taken else NEED_VERBS["photo"]


def _good_photo(procedure: Procedure, held: Standing) -> bool:
    view = next((photo for photo in procedure.photos if photo.id == held.entry.subject), None)
    return held.data["outcome"] == "measured" or (view is not None and view.measures is None)


def _part(procedure: Procedure, view: JobView, stage: Stage, need: Need) -> str | None:
    part = procedure.part(need.ref)
    fitted = _short(view, part, "fitted")
    if fitted is None or not _wanted_later(procedure, stage, part):
        return fitted
    return _short(view, part, "removed") if part.replaces_old else None


def _short(view: JobView, part: Part, action: Literal["fitted", "removed"]) -> str | None:
    """How it is put that fewer of a part than the kit's quantity are on record; None when none lacks."""
    done = kit.count(view, part.id, action)
    if done >= part.quantity:
        return None
    if kit.count(view, part.id, action, confirmed=False) >= part.quantity:
        return "is not confirmed"
    return f"has not been {action}" if done == 0 else f"has been {action} only {done} of {part.quantity}"


def _wanted_later(procedure: Procedure, stage: Stage, part: Part) -> bool:
    """Whether a later stage asks for the part too: then that one wants it fitted, and this one the old ones out."""
    ids = [known.id for known in procedure.stages]
    later = procedure.stages[ids.index(stage.id) + 1 :]
    return any(need.kind == "part" and need.ref in {part.id, "*"} for known in later for need in known.needs)


def _act(item: Missing) -> str:
    if item.why in {"is not confirmed", QUERIED}:
        return "say confirm, or say it again"
    if item.kind == "part" and "removed" in item.why:
        return "take the old one out and say so"
    return _ACTS[item.kind]


def _list(names: list[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
