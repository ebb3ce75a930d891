"""One entry of the record as a reader is shown it: what it is about, what it says, how it stands, what it replaced."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from capture.review import wording as w
from capture.review.names import Names
from capture.review.strip import limit_strip

if TYPE_CHECKING:
    from capture.record import Row

VALUE_KINDS = frozenset(
    {"identity", "instrument", "stage", "reading", "turn", "check", "part", "photo_asked", "photo", "note", "sign_off"}
)
"""Kinds of entries that stand until they are replaced or withdrawn."""


@dataclass(frozen=True)
class Badge:
    """How something stands: a symbol and words, never colour alone. ``tone`` is good, bad, open or quiet."""

    symbol: str
    words: str
    tone: str


GOOD, BAD, OPEN, QUIET = "good", "bad", "open", "quiet"

OUTCOMES = {
    "pass": Badge("✓", "within limits", GOOD),
    "fail": Badge("✕", "out of limits", BAD),
    "undecided": Badge("?", "undecided", OPEN),
    "not_judged": Badge("–", "not judged", QUIET),
}
SEVERITIES = {
    "stop": Badge("■", "stop", BAD),
    "warning": Badge("▲", "warning", OPEN),
    "notice": Badge("●", "notice", QUIET),
}
UNCONFIRMED = Badge("○", "not confirmed", OPEN)
NOT_ACCEPTED = Badge("⊘", "not accepted", OPEN)


@dataclass(frozen=True)
class ShownWarning:
    """A warning with its severity as a badge; ``title`` is the warning's id in words."""

    severity: str
    title: str
    sentence: str
    todo: str

    @property
    def badge(self) -> Badge:
        """The severity as a badge."""
        return SEVERITIES.get(self.severity, SEVERITIES["warning"])


@dataclass(frozen=True, eq=False)
class Item:
    """One entry. ``name`` is what it is about and ``value`` what it says; ``facts`` are (label, text) pairs."""

    row: Row
    kind: str
    stage: str | None
    subject: str | None
    status: str
    words: str
    label: str
    name: str
    value: str
    facts: tuple[tuple[str, str], ...]
    badges: tuple[Badge, ...]
    warnings: tuple[ShownWarning, ...]
    verdict: Mapping[str, Any] | None = None
    advice: tuple[str, str] | None = None
    replaces: str | None = None
    strip: Markup | None = None

    @property
    def anchor(self) -> str:
        """The entry's place in the page."""
        return f"row-{self.row.seq}"

    @property
    def data(self) -> Mapping[str, Any]:
        """The entry's own data."""
        return _mapping(self.row.body.get("data"))

    @property
    def outcome(self) -> str | None:
        """pass, fail, undecided or not_judged, when there is a verdict."""
        return None if self.verdict is None else str(self.verdict.get("outcome"))


@dataclass
class _Said:
    """What one kind's writer fills in."""

    name: str
    value: str = ""
    facts: list[tuple[str, str]] = field(default_factory=list)
    badges: list[Badge] = field(default_factory=list)
    label: str = ""


def item_of(row: Row, names: Names) -> Item:
    """Describe one row. A row of an unknown kind or with an odd body is shown as what it holds; nothing raises."""
    body = row.body
    data = _mapping(body.get("data"))
    subject = None if body.get("subject") is None else w.plain(body["subject"])
    said = _WRITERS.get(row.kind, _anything)(data, subject, row.kind, names)
    verdict = _mapping(body.get("verdict")) or None
    status = w.plain(body.get("status")) or "accepted"
    return Item(
        row=row,
        kind=row.kind,
        stage=None if body.get("stage") is None else w.plain(body["stage"]),
        subject=subject,
        status=status,
        words=w.plain(body.get("words")),
        label=said.label or w.titled(row.kind),
        name=said.name,
        value=said.value,
        facts=tuple(said.facts + _verdict_facts(verdict)),
        badges=tuple(_badges(row.kind, status, verdict, said.badges)),
        warnings=tuple(_warnings(body.get("warnings"))),
        verdict=verdict,
        advice=_advice(body.get("advice")),
        replaces=None if body.get("replaces") is None else w.plain(body["replaces"]),
        strip=limit_strip(verdict) if verdict else None,
    )


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _verdict_facts(verdict: Mapping[str, Any] | None) -> list[tuple[str, str]]:
    if verdict is None:
        return []
    return [("limits", w.limits(verdict.get("low"), verdict.get("high"), verdict.get("unit")))]


def _badges(kind: str, status: str, verdict: Mapping[str, Any] | None, own: list[Badge]) -> list[Badge]:
    found = list(own)
    if verdict is not None:
        found.insert(0, OUTCOMES.get(str(verdict.get("outcome")), OUTCOMES["not_judged"]))
    if status == "unconfirmed":
        found.append(UNCONFIRMED)
    elif status == "not_accepted" and kind not in {"refused", "not_understood"}:
        found.append(NOT_ACCEPTED)
    return found


def _warnings(value: Any) -> list[ShownWarning]:
    listed = [_mapping(item) for item in value] if isinstance(value, list) else []
    return [
        ShownWarning(
            w.plain(x.get("severity")), w.titled(x.get("id")), w.plain(x.get("sentence")), w.plain(x.get("todo"))
        )
        for x in listed
        if x
    ]


def _advice(value: Any) -> tuple[str, str] | None:
    advice = _mapping(value)
    return (w.plain(advice.get("sentence")), w.plain(advice.get("caution"))) if advice else None


_Data = Mapping[str, Any]


def _identity(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    return _Said(names.of(kind, data.get("field", subject)), w.plain(data.get("value")))


def _instrument(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    serial, due = w.plain(data.get("serial")), w.plain(data.get("due"))
    value = f"no. {serial}" if serial else "without a number"
    facts = [("calibration due", due or "not said")]
    return _Said(names.of(kind, data.get("kind", subject)), value, facts, label="Instrument in use")


def _reading(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
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
    said = _Said(names.of(kind, data.get("field", subject)), w.quantity(value, unit), facts)
    said.label = "Reading from photo" if data.get("via") == "photo" else "Reading"
    if data.get("unit_assumed"):
        said.badges.append(Badge("△", "unit assumed", OPEN))
    if data.get("confirmed"):
        said.badges.append(Badge("◆", "confirmed", QUIET))
    return said


def _turn(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    turned = w.turns(w.plain(data.get("turns")).lstrip("-"))
    facts = [("in this stage", w.turns(data.get("stage_total"))), ("net", w.turns(data.get("net")))]
    return _Said(names.of(kind, data.get("counter", subject)), f"{turned} {w.plain(data.get('direction'))}", facts)


def _check(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    check, good = data.get("check", subject), data.get("good")
    said = _Said(names.of(kind, check), names.answer(check, data.get("answer")))
    if good is not None:
        said.badges.append(Badge("✓", "as it should be", GOOD) if good else Badge("✕", "not as it should be", BAD))
    return said


def _part(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    action = w.plain(data.get("action"))
    facts = [("lot", w.plain(data["lot"]))] if data.get("lot") else []
    value = f"{w.plain(data.get('quantity'))} {'old removed' if action == 'removed' else action}"
    return _Said(names.of(kind, data.get("part", subject)), value, facts)


def _photo_asked(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    return _Said(names.of(kind, data.get("view", subject)), "picture asked for", label="Photo")


def _photo(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    outcome = w.spaced(data.get("outcome"))
    said = _Said(names.of(kind, data.get("view", subject)), outcome)
    if data.get("sentence"):
        said.facts.append(("why", w.plain(data["sentence"])))
    if outcome == "refused":
        said.value = "not measurable"
    return said


def _note(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    return _Said("Note", w.plain(data.get("text")))


def _command(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    facts = [("answer", w.plain(data["reply"]))] if data.get("reply") else []
    about = f" {names.of('reading', data['field'])}" if data.get("field") else ""
    return _Said("Said to the tool", f"{w.spaced(data.get('command'))}{about}", facts, label="Conversation")


def _withdrawn(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    what = names.of(w.plain(data.get("kind")) or kind, data.get("subject", subject))
    return _Said(what, "withdrawn until it is said again", label="Withdrawn")


def _refused(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    facts = [("about", names.of("reading", data["field"]))] if data.get("field") else []
    said = _Said("Not taken", w.plain(data.get("sentence")), facts, label="Refused")
    said.badges.append(Badge("⊘", f"refused, {w.spaced(data.get('reason'))}", OPEN))
    return said


def _not_understood(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    said = _Said("Not understood", w.plain(data.get("sentence")), label="Not understood")
    said.badges.append(Badge("⊘", "not understood", OPEN))
    return said


def _stage(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    return _Said(names.stage(data.get("stage", subject)), "begun")


def _stage_end(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    missing = _missing(data)
    said = _Said(f"End of {names.stage(data.get('stage', subject))}", label="End of stage")
    said.badges.append(Badge("▲", "incomplete", OPEN) if missing else Badge("✓", "complete", GOOD))
    if missing:
        said.facts.append(("missing", missing))
    return said


def _missing(data: _Data) -> str:
    listed = data.get("missing")
    found = [_mapping(item) for item in listed] if isinstance(listed, list) else []
    return ", ".join(dict.fromkeys(w.plain(item.get("name") or item.get("ref")) for item in found))


def _sign_off(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    role = names.of(kind, data.get("role", subject))
    return _Said(role, f"signed off by {w.plain(data.get('person')) or 'somebody whose name is not known'}")


def _job_end(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    missing = _missing(data)
    said = _Said("End of the job", label="End of job")
    said.badges.append(Badge("▲", "incomplete", OPEN) if missing else Badge("✓", "complete", GOOD))
    if missing:
        said.facts.append(("missing", missing))
    return said


def _opened(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    return _Said("Job opened", w.plain(data.get("technician")))


def _source(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    facts = [(w.spaced(key), w.plain(value)) for key, value in data.items() if key != "file"]
    return _Said("Original file", w.plain(data.get("file")), facts)


def _anything(data: _Data, subject: str | None, kind: str, names: Names) -> _Said:
    facts = [(w.spaced(key), w.plain(value)) for key, value in data.items()]
    return _Said(names.of(kind, subject), "", facts)


_WRITERS: Mapping[str, Callable[[_Data, str | None, str, Names], _Said]] = {
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
}
