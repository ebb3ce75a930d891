"""What the bench page shows of a job, as plain JSON made from the job so far. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from capture.bench.live_needs import earlier_missing, missing_offers, stage_offers
from capture.judge.entry import Entry, Recorded, Verdict
from capture.judge.say import answer_words, name_of, read_back
from capture.judge.view import JOB_WIDE, REVIEWED, VALUE_KINDS, JobView, Standing, same_thing
from capture.procedure.model import Procedure
from capture.units import UNITS

RECENT = 12
_GRAVE = {"stop": 0, "warning": 1}
_OUTCOMES = {
    "pass": ("good", "within limits"),
    "fail": ("bad", "OUT OF LIMITS"),
    "undecided": ("open", "undecided: too near the limit"),
    "not_judged": ("quiet", "no limit here"),
}
_LOST = {"refused": "not taken", "not_understood": "not understood"}


def job_board(
    procedure: Procedure, view: JobView, latest: Sequence[Recorded], pictures: Mapping[str, str]
) -> dict[str, Any]:
    """The job's part of the page.

    Args:
        procedure: the kind of job.
        view: the job so far.
        latest: the entries of the last utterance, line or picture.
        pictures: entry id -> SHA-256 of the picture to show beside it.

    Returns:
        unit, stage, stages, last (cards), waiting, returned (what a reviewer queried or
        rejected), warnings (of this stage, gravest and newest first; without those of
        what waits), earlier (warnings of other stages), recent.
    """
    replaced = {one.entry.replaces for one in view.recorded}
    waiting = view.waiting()
    present, earlier = _warnings(procedure, view, replaced, {held.id for held in waiting})
    return {
        "unit": [
            {"name": name_of(procedure, "identity", held.entry.subject), "value": str(held.data["value"])}
            for held in view.each("identity")
        ],
        "stage": _stage(procedure, view),
        "stages": stage_offers(procedure, view),
        "last": [card(procedure, one, pictures) for one in latest if _worth_a_card(one, latest)],
        "waiting": [
            {
                "id": held.id,
                "text": read_back(procedure, held.entry),
                "value": _value(procedure, held.entry),
                "via": "photo" if held.data.get("via") == "photo" else "",
                "name": name_of(procedure, held.entry.kind, held.entry.subject),
                "why": [{"severity": w.severity, "sentence": w.sentence, "todo": w.todo} for w in held.entry.warnings],
                "say": _confirming(procedure, held.entry),
            }
            for held in reversed(waiting)
            if not held.queried
        ],
        "returned": [_returned(procedure, held) for held in view.returned],
        "warnings": present,
        "earlier": earlier,
        "recent": [
            {**card(procedure, one, pictures), "gone": one.id in replaced}
            for one in reversed(view.recorded)
            if one.entry.kind not in {"command", "stage_end"}
        ][:RECENT],
    }


def card(procedure: Procedure, one: Recorded, pictures: Mapping[str, str]) -> dict[str, Any]:
    """One entry as the page shows it: name, value, verdict in words with its tone, words as heard, what is wrong."""
    entry = one.entry
    tone, verdict = _verdict_words(entry)
    return {
        "id": one.id,
        "kind": entry.kind,
        "at": one.moment.at.isoformat(timespec="seconds"),
        "name": _name(procedure, entry),
        "value": _value(procedure, entry),
        "via": "photo" if entry.kind == "reading" and entry.data.get("via") == "photo" else "",
        "tone": tone,
        "verdict": verdict,
        "limits": "" if entry.verdict is None else _limits(entry.verdict),
        "status": entry.status,
        "confirmed": bool(entry.data.get("confirmed")),
        "corrects": entry.replaces is not None and not entry.data.get("confirmed") and entry.kind != "withdrawn",
        "words": entry.words,
        "warnings": [
            {"severity": w.severity, "sentence": w.sentence, "todo": w.todo}
            for w in sorted(entry.warnings, key=lambda w: _GRAVE.get(w.severity, 2))
        ],
        "advice": None if entry.advice is None else [entry.advice.sentence, entry.advice.caution],
        "picture": pictures.get(one.id),
    }


def _returned(procedure: Procedure, held: Standing) -> dict[str, Any]:
    """An entry that a reviewer sent back, with what was said of it."""
    review = {} if held.decision is None else held.decision.entry.data
    return {
        "id": held.id,
        "name": _name(procedure, held.entry),
        "value": _value(procedure, held.entry),
        "stage": _stage_name(procedure, held.entry.stage),
        "decision": "queried" if held.queried else "rejected",
        "comment": str(review.get("comment", "")),
        "person": str(review.get("person", "")),
        "say": _confirming(procedure, held.entry) if held.queried else "",
    }


def _worth_a_card(one: Recorded, latest: Sequence[Recorded]) -> bool:
    """The end of a stage has none, and a picture none beside the reading that was taken from it."""
    kinds = [other.entry.kind for other in latest]
    return one.entry.kind != "stage_end" and not (one.entry.kind == "photo" and "reading" in kinds)


def _name(procedure: Procedure, entry: Entry) -> str:
    if entry.kind in _LOST:
        return _LOST[entry.kind].capitalize()
    if entry.kind == "withdrawn":
        return f"{name_of(procedure, str(entry.data.get('kind')), entry.subject)}: withdrawn"
    if entry.kind == "command":
        return str(entry.data.get("command", "")).replace("_", " ").capitalize()
    if entry.kind == "job_end":
        return "End of the job"
    if entry.kind == REVIEWED:
        return f"Review of {name_of(procedure, str(entry.data.get('kind')), entry.subject)}"
    if entry.kind == "signature":
        return f"Signed: {name_of(procedure, 'sign_off', entry.subject)}"
    titles = {"stage": "Stage", "photo_asked": "Photo asked for", "photo": "Photo", "note": "Note"}
    return titles.get(entry.kind) or name_of(procedure, entry.kind, entry.subject)


def _value(procedure: Procedure, entry: Entry) -> str:
    data = entry.data
    match entry.kind:
        case "reading":
            unit = UNITS.get(str(data["unit"]))
            return f"{data['value']} {unit.symbol if unit else data['unit']}"
        case "turn":
            return f"{data['turns']} turn {data['direction']}"
        case "check":
            return answer_words(procedure, data["check"], data["answer"])
        case "part":
            return f"{data['quantity']} {data['action']}" + (f", lot {data['lot']}" if data["lot"] else "")
        case "instrument":
            serial = data["serial"] or "no number"
            return f"{serial}, due {data['due']}" if data["due"] else str(serial)
        case "identity":
            return str(data["value"])
        case "stage" | "photo_asked":
            return name_of(procedure, entry.kind, entry.subject)
        case "photo":
            outcome = str(data["outcome"]).replace("_", " ")
            return str(data.get("sentence") or outcome)
        case "note":
            return str(data["text"])
        case "command":
            return str(data.get("reply", ""))
        case "refused" | "not_understood":
            return str(data.get("sentence", ""))
        case "sign_off":
            return f"signed: {data['person'] or 'nobody named'}"
        case "signature":
            return str(data.get("person", ""))
        case "reviewed":
            return ": ".join(str(part) for part in (data.get("decision"), data.get("comment")) if part)
        case "job_end":
            return "complete" if not data["missing"] else f"{len(data['missing'])} missing"
        case _:
            return ""


def _verdict_words(entry: Entry) -> tuple[str, str]:
    if entry.kind in _LOST:
        return "open", ""
    if entry.verdict is not None:
        tone, words = _OUTCOMES[entry.verdict.outcome]
        return ("open" if tone == "good" and entry.status == "unconfirmed" else tone), words
    if entry.kind == "check" and entry.data.get("good") is not None:
        return ("good", "as it should be") if entry.data["good"] else ("bad", "NOT AS IT SHOULD BE")
    grave = [w for w in entry.warnings if w.severity in _GRAVE]
    if grave:
        return ("bad" if any(w.severity == "stop" for w in grave) else "open"), "look at this"
    return "quiet", ""


def _limits(verdict: Verdict) -> str:
    unit = UNITS.get(verdict.unit)
    symbol = unit.symbol if unit else verdict.unit
    if verdict.low is None and verdict.high is None:
        return ""
    if verdict.low is None:
        return f"at most {verdict.high} {symbol}"
    if verdict.high is None:
        return f"at least {verdict.low} {symbol}"
    return f"{verdict.low} to {verdict.high} {symbol}"


def _confirming(procedure: Procedure, entry: Entry) -> str:
    """The words that confirm this one whatever else waits; readings can be named."""
    if entry.kind == "reading" and entry.subject is not None:
        return f"confirm {procedure.reading(entry.subject).spoken[0]}"
    return "confirm"


def _stage(procedure: Procedure, view: JobView) -> dict[str, Any] | None:
    if view.stage is None:
        return None
    stage = procedure.stage(view.stage)
    missing = missing_offers(procedure, view, stage)
    names = [known.id for known in procedure.stages]
    return {
        "id": stage.id,
        "name": stage.name,
        "number": names.index(stage.id) + 1,
        "of": len(names),
        "missing": missing,
        "earlier": earlier_missing(procedure, view),
    }


def _warnings(
    procedure: Procedure, view: JobView, replaced: set[str | None], waiting: set[str]
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Warnings of entries that still stand and that nothing newer about the same thing overtook: here, elsewhere."""
    found: list[tuple[int, int, bool, dict[str, Any]]] = []
    for place, one in enumerate(view.recorded):
        entry = one.entry
        if one.id in replaced or one.id in waiting or entry.kind not in VALUE_KINDS:
            continue
        if any(same_thing(entry, later.entry) for later in view.recorded[place + 1 :]):
            continue
        here = entry.kind in JOB_WIDE or entry.stage in {None, view.stage}
        named = {"id": one.id, "name": _name(procedure, entry), "stage": _stage_name(procedure, entry.stage)}
        for w in entry.warnings:
            if w.severity in _GRAVE:
                shown = {**named, "severity": w.severity, "sentence": w.sentence, "todo": w.todo}
                found.append((_GRAVE[w.severity], -place, here, shown))
    found.sort(key=lambda item: item[:2])
    return [shown for *_, here, shown in found if here], [shown for *_, here, shown in found if not here]


def _stage_name(procedure: Procedure, stage: str | None) -> str:
    return "" if stage is None else name_of(procedure, "stage", stage)
