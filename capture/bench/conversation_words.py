"""What the bench says aloud about entries that were just stored, and which sound goes with them. Pure text."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from capture.judge.entry import Entry, Recorded
from capture.judge.say import name_of, read_back
from capture.judge.view import VALUE_KINDS
from capture.procedure.model import Procedure

Weight = Literal["answer", "question", "read_back"]
"""``question``: it waits for *confirm*. ``answer``: it was asked for, or says why something was not taken.
``read_back``: it stands unless it is contradicted."""

Cue = Literal["heard", "stored", "warning"]

_LOST = frozenset({"refused", "not_understood"})
_GRAVE = frozenset({"stop", "warning"})
_PLAIN = frozenset({"unit_assumed"})
_LISTED = 3
_ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True)
class Line:
    """Something to be said. ``about`` are the ids of the entries that it reads back or asks about."""

    text: str
    weight: Weight
    about: tuple[str, ...] = ()
    tries: int = 0


def cue_of(entries: Sequence[Recorded]) -> Cue | None:
    """The sound for entries that were stored: ``warning`` when any of them needs somebody, else ``stored``; none for
    sound without a word."""
    if all(one.entry.kind == "not_understood" and not one.entry.words for one in entries):
        return None
    return "warning" if any(_needs_somebody(one.entry) for one in entries) else "stored"


def lines_of(entries: Sequence[Recorded], procedure: Procedure) -> tuple[Line, ...]:
    """What is said about the entries of one utterance or one picture, in their order.

    A question goes by itself; the rest of an utterance is read back in one breath. A cough is no utterance: sound
    without a word is answered by its sound and on the page only.
    """
    lines: list[Line] = []
    for one in entries:
        text = _text(one.entry, procedure)
        if text:
            weight = _weight(one.entry)
            last = lines[-1] if lines else None
            if last is not None and last.weight == weight == "read_back":
                lines[-1] = Line(f"{last.text} {text}", weight, (*last.about, one.id))
            else:
                lines.append(Line(text, weight, (one.id,)))
    return tuple(lines)


def question_of(held: Recorded, procedure: Procedure) -> Line:
    """An entry that waits, asked again: the thing, its value digit by digit, and what to say."""
    return Line(_question(held.entry, procedure), "question", (held.id,))


def _weight(entry: Entry) -> Weight:
    if entry.status == "unconfirmed":
        return "question"
    return "answer" if entry.kind == "command" or entry.kind in _LOST else "read_back"


def _needs_somebody(entry: Entry) -> bool:
    if entry.data.get("confirmed") and entry.status == "accepted":
        return False
    return entry.status != "accepted" or any(warning.severity in _GRAVE for warning in entry.warnings)


def _text(entry: Entry, procedure: Procedure) -> str:
    if entry.kind == "command":
        return str(entry.data.get("reply", ""))
    if entry.kind in _LOST:
        return _lost(entry)
    if entry.kind == "withdrawn":
        kind, subject = entry.data.get("kind"), entry.subject
        return _spoken(f"{name_of(procedure, str(kind), subject)} withdrawn", entry)
    if entry.kind in {"stage_end", "job_end"}:
        return _ended(entry, procedure)
    if entry.kind == "photo_asked":
        return _spoken(f"Take the picture: {name_of(procedure, 'photo', entry.subject)}", entry)
    if entry.kind == "photo" and entry.data.get("outcome") != "measured":
        return _spoken(str(entry.data.get("sentence") or "The picture is kept"), entry)
    if entry.kind not in VALUE_KINDS:
        return ""
    if entry.status == "unconfirmed":
        return _question(entry, procedure)
    return _spoken(_confirmed(entry) + _aloud(procedure, entry), entry)


def _lost(entry: Entry) -> str:
    return _sentence(str(entry.data.get("sentence", ""))) if len(entry.words.split()) > 1 else ""


def _aloud(procedure: Procedure, entry: Entry) -> str:
    """The read-back with the name that the technician says, and dates in words."""
    written = name_of(procedure, entry.kind, entry.subject)
    text = read_back(procedure, entry)
    spoken = next((item.spoken[0] for item in _things(procedure, entry.kind) if item.id == entry.subject), written)
    spoken = f"stage {spoken}" if entry.kind == "stage" else spoken
    text = spoken + text[len(written) :] if text.startswith(written) else text
    return _ISO_DATE.sub(lambda found: f"{_date(found[0])}", text)


def _date(text: str) -> str:
    day = date.fromisoformat(text)
    return f"{day.day} {day:%B} {day.year}"


def _things(procedure: Procedure, kind: str) -> tuple[Any, ...]:
    name = {"identity": "identities", "turn": "counters", "photo_asked": "photos", "sign_off": "roles"}.get(kind)
    return getattr(procedure, name or f"{kind}s", ())


def _question(entry: Entry, procedure: Procedure) -> str:
    whys = [f"{warning.sentence}" for warning in entry.warnings if warning.severity in _GRAVE | {"notice"}]
    asked = f"Say confirm, or correction and the right {_noun(entry)}."
    return " ".join([_sentence(_aloud(procedure, entry)), *map(_sentence, whys), asked])


def _noun(entry: Entry) -> str:
    return "value" if entry.kind == "reading" else "words"


def _confirmed(entry: Entry) -> str:
    return "Confirmed: " if entry.data.get("confirmed") else ""


def _spoken(head: str, entry: Entry) -> str:
    grave = [
        f"{_sentence(warning.sentence)} {_sentence(warning.todo)}"
        for warning in entry.warnings
        if warning.severity in _GRAVE and warning.id not in _PLAIN
    ]
    # What was confirmed was warned of when it was asked; once is enough.
    return " ".join([_sentence(head), *([] if entry.data.get("confirmed") else grave)])


def _ended(entry: Entry, procedure: Procedure) -> str:
    missing = [f"{need['name']} {need['why']}" for need in entry.data["missing"]]
    name = "The job" if entry.kind == "job_end" else name_of(procedure, "stage", entry.subject)
    if not missing:
        return f"{name} is complete."
    more = len(missing) - _LISTED
    listed = "; ".join(missing[:_LISTED]) + (f"; and {more} more" if more > 0 else "")
    return f"{name} ended, but {listed}."


def _sentence(text: str) -> str:
    text = text.strip()
    return text if not text or text[-1] in ".?!" else f"{text}."
