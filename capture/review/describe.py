"""What each kind of entry is about and what it says, in a reader's words. Odd data give odd words, never an error."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from capture.review import wording as w
from capture.review.badges import BAD, DECIDED, GOOD, OPEN, QUIET, Badge
from capture.review.names import Names


@dataclass
class Said:
    """What an entry is about (``name``) and says (``value``), with further facts as (label, text) and badges."""

    name: str
    value: str = ""
    facts: list[tuple[str, str]] = field(default_factory=list)
    badges: list[Badge] = field(default_factory=list)
    label: str = ""


def describe(kind: str, data: Mapping[str, Any], subject: str | None, names: Names) -> Said:
    """The words for an entry of ``kind``; a kind that is not known is shown as what it holds."""
    return _WRITERS.get(kind, _anything)(data, subject, kind, names)


def mapping(value: Any) -> Mapping[str, Any]:
    """``value`` if it is an object, else an empty one."""
    return value if isinstance(value, Mapping) else {}


_Data = Mapping[str, Any]


def _identity(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    return Said(names.of(kind, data.get("field", subject)), w.plain(data.get("value")))


def _instrument(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    serial, due = w.plain(data.get("serial")), w.plain(data.get("due"))
    value = f"no. {serial}" if serial else "without a number"
    facts = [("calibration due", due or "not said")]
    return Said(names.of(kind, data.get("kind", subject)), value, facts, label="Instrument in use")


def _reading(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    value, unit = data.get("value"), data.get("unit")
    amount, default = data.get("amount"), data.get("default_unit")
    facts = []
    if default != unit:
        facts.append(("that is", w.quantity(amount, default)))
    facts.append(("uncertainty", w.uncertainty(data.get("expanded"), default) or "not known"))
    if data.get("via") == "photo":
        facts.append(("taken from", f"photo, {names.of('photo', data.get('view'))}"))
    elif data.get("instrument"):
        facts.append(("instrument", f"no. {w.plain(data['instrument'])}"))
    said = Said(names.of(kind, data.get("field", subject)), w.quantity(value, unit), facts)
    said.label = "Reading from photo" if data.get("via") == "photo" else "Reading"
    if data.get("unit_assumed"):
        said.badges.append(Badge("△", "unit assumed", OPEN))
    if data.get("confirmed"):
        said.badges.append(Badge("◆", "confirmed", QUIET))
    return said


def _turn(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    turned = w.turns(w.plain(data.get("turns")).lstrip("-"))
    facts = [("in this stage", w.turns(data.get("stage_total"))), ("net", w.turns(data.get("net")))]
    return Said(names.of(kind, data.get("counter", subject)), f"{turned} {w.plain(data.get('direction'))}", facts)


def _check(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    check, good = data.get("check", subject), data.get("good")
    said = Said(names.of(kind, check), names.answer(check, data.get("answer")))
    if good is not None:
        said.badges.append(Badge("✓", "as it should be", GOOD) if good else Badge("✕", "not as it should be", BAD))
    return said


def _part(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    action = w.plain(data.get("action"))
    facts = [("lot", w.plain(data["lot"]))] if data.get("lot") else []
    value = f"{w.plain(data.get('quantity'))} {'old removed' if action == 'removed' else action}"
    return Said(names.of(kind, data.get("part", subject)), value, facts)


def _photo_asked(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    return Said(names.of(kind, data.get("view", subject)), "picture asked for", label="Photo")


def _photo(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    outcome = w.spaced(data.get("outcome"))
    said = Said(names.of(kind, data.get("view", subject)), outcome)
    if data.get("sentence"):
        said.facts.append(("why", w.plain(data["sentence"])))
    if outcome == "refused":
        said.value = "not measurable"
    return said


def _note(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    return Said("Note", w.plain(data.get("text")))


def _command(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    facts = [("answer", w.plain(data["reply"]))] if data.get("reply") else []
    about = f" {names.of('reading', data['field'])}" if data.get("field") else ""
    return Said("Said to the tool", f"{w.spaced(data.get('command'))}{about}", facts, label="Conversation")


def _withdrawn(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    what = names.of(w.plain(data.get("kind")) or kind, data.get("subject", subject))
    return Said(what, "withdrawn until it is said again", label="Withdrawn")


def _refused(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    facts = [("about", names.of("reading", data["field"]))] if data.get("field") else []
    said = Said("Not taken", w.plain(data.get("sentence")), facts, label="Refused")
    said.badges.append(Badge("⊘", f"refused, {w.spaced(data.get('reason'))}", OPEN))
    return said


def _not_understood(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    said = Said("Not understood", w.plain(data.get("sentence")), label="Not understood")
    said.badges.append(Badge("⊘", "not understood", OPEN))
    return said


def _stage(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    return Said(names.stage(data.get("stage", subject)), "begun")


def _stage_end(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    missing = _missing(data)
    said = Said(f"End of {names.stage(data.get('stage', subject))}", label="End of stage")
    said.badges.append(Badge("▲", "incomplete", OPEN) if missing else Badge("✓", "complete", GOOD))
    if missing:
        said.facts.append(("missing", missing))
    return said


def _missing(data: _Data) -> str:
    listed = data.get("missing")
    found = [mapping(item) for item in listed] if isinstance(listed, list) else []
    return ", ".join(dict.fromkeys(w.plain(item.get("name") or item.get("ref")) for item in found))


def _sign_off(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    role = names.of(kind, data.get("role", subject))
    return Said(role, f"signed off by {w.plain(data.get('person')) or 'somebody whose name is not known'}")


def _job_end(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    missing = _missing(data)
    said = Said("End of the job", label="End of job")
    said.badges.append(Badge("▲", "incomplete", OPEN) if missing else Badge("✓", "complete", GOOD))
    if missing:
        said.facts.append(("missing", missing))
    return said


def _opened(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    return Said("Job opened", w.plain(data.get("technician")))


def _source(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    facts = [(w.spaced(key), w.plain(value)) for key, value in data.items() if key != "file"]
    return Said("Original file", w.plain(data.get("file")), facts)


def _signature(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    role = names.of("sign_off", data.get("role", subject))
    return Said(role, f"signed by {w.plain(data.get('person'))}", [("with key", w.plain(data.get("key"))[:16])])


def _key(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    key = w.plain(data.get("key", subject))[:16]
    return Said("Public key", f"of {w.plain(data.get('person'))}", [("key", key)], label="Key put on record")


def _paused(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    return Said("Job", "left, to be taken up again", [("why", w.plain(data.get("why")))], label="Pause")


def _resumed(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    words = "taken up again" if kind == "resumed" else "opened again after its end"
    facts = [(w.spaced(key), w.plain(value)) for key, value in data.items() if key not in {"technician", "reviewer"}]
    return Said("Job", f"{words} by {w.plain(data.get('technician') or data.get('reviewer'))}", facts)


def _handed_over(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    return Said("Job", f"handed over from {w.plain(data.get('from'))} to {w.plain(data.get('technician'))}")


def _purged(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    files = data.get("files")
    amount = w.count(len(files) if isinstance(files, list) else 0, "file")
    facts = [("decided by", w.plain(data.get("person"))), ("rule", w.plain(data.get("rule")))]
    return Said("Sound removed on purpose", amount, facts, label="Removed")


def _imported(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    facts = [(w.spaced(key), w.plain(value)) for key, value in data.items() if isinstance(value, str | int)]
    return Said("Brought in from another record", "", facts, label="Imported")


def _reviewed(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    what = names.of(w.plain(data.get("kind")), subject) if subject else w.titled(data.get("kind"))
    decision = w.plain(data.get("decision"))
    facts = [("by", f"{w.plain(data.get('person'))}, {w.plain(data.get('role'))}")]
    said = Said(what, w.plain(data.get("comment")), facts, label="Review")
    said.badges.append(DECIDED.get(decision, Badge("–", w.spaced(decision), QUIET)))
    return said


def _anything(data: _Data, subject: str | None, kind: str, names: Names) -> Said:
    facts = [(w.spaced(key), w.plain(value)) for key, value in data.items()]
    return Said(names.of(kind, subject), "", facts)


_WRITERS: Mapping[str, Callable[[_Data, str | None, str, Names], Said]] = {
    "identity": _identity,
    "instrument": _instrument,
    "reading": _reading,
    "turn": _turn,
    "check": _check,
    "part": _part,
    "photo_asked": _photo_asked,
    "photo": _photo,
    "note": _note,
    "command": _command,
    "withdrawn": _withdrawn,
    "refused": _refused,
    "not_understood": _not_understood,
    "stage": _stage,
    "stage_end": _stage_end,
    "sign_off": _sign_off,
    "job_end": _job_end,
    "opened": _opened,
    "source": _source,
    "signature": _signature,
    "key": _key,
    "paused": _paused,
    "resumed": _resumed,
    "reopened": _resumed,
    "handed_over": _handed_over,
    "reviewed": _reviewed,
    "purged": _purged,
    "imported": _imported,
}
