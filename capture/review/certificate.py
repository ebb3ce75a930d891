"""What the owner of a unit is given: values as received and as left, parts, due date, who signed, and the proof.

A job that is not wholly in order gets the same sheet marked as not released, with the reasons on top
(``certificate_release``): the owner may be shown how the unit stands, but nothing that could pass for a release.
"""

from __future__ import annotations

import calendar
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Any

from capture.judge.uncertainty import round_up
from capture.record import admin
from capture.review import tables
from capture.review import wording as w
from capture.review.badges import Badge
from capture.review.describe import mapping
from capture.review.inline import Gallery, Shown
from capture.review.items import Item
from capture.review.names import Names, names_for
from capture.review.story import Story, decision_of, tell
from capture.review.tally import put_right

if TYPE_CHECKING:
    from capture.record import Head, MediaRef, Record, Row, Verification
    from capture.record.signatures import Signed
    from capture.record.trust import Trust

CAUTIONS = (
    "This sheet tells what was said, measured and photographed at the bench. It does not replace the maker's manual,"
    " local rules or a qualified person; whether the unit may be used is for a qualified person to decide.",
    "It speaks of the unit as it left the bench on the day named. Have it serviced early after a fall, flooding, long"
    " storage or anything unusual, and check it before every use as its manual says.",
)
_UNSIGNED = w.titled("role_unsigned")
_WORKED = frozenset({"opened", "resumed", "reopened", "handed_over"})


@dataclass(frozen=True)
class Checked:
    """What a verification of the whole record said, and when (RFC 3339)."""

    at: str
    rows: int
    files: int
    head: Head
    faults: int

    @classmethod
    def of(cls, found: Verification, at: str) -> Checked:
        """The gist of a verification that was made at ``at``."""
        return cls(at, found.rows, found.media, found.head, len(found.faults))


@dataclass(frozen=True)
class Value:
    """A reading as the sheet shows it. ``gauge`` names the gauge, or that the value was taken from a photo."""

    text: str
    uncertainty: str
    limits: str
    stage: str
    gauge: str
    badge: Badge | None


@dataclass(frozen=True)
class ValueLine:
    """One quantity: as received (None: not taken then) and as left (None: not taken again)."""

    name: str
    received: Value | None
    left: Value | None


@dataclass(frozen=True)
class CheckLine:
    """A check's last answer, and how it stood before where that differs."""

    name: str
    answer: str
    before: str
    badge: Badge | None


@dataclass(frozen=True)
class SignedLine:
    """Who signed last in a role, with the whole fingerprint of the key; ``doubt`` is empty when it holds and is known
    here."""

    role: str
    person: str
    at: str
    key: str
    doubt: str


@dataclass(frozen=True)
class Certificate:
    """Everything on the sheet. ``reasons`` why the job is not released; none of them: it is."""

    job: str
    unit: tuple[tuple[str, str], ...]
    facts: tuple[tuple[str, str], ...]
    reasons: tuple[str, ...]
    values: tuple[ValueLine, ...]
    checks: tuple[CheckLine, ...]
    parts: tuple[tables.KitLine, ...]
    signed: tuple[SignedLine, ...]
    due: str
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]
    checked: Checked
    issued: str

    @property
    def released(self) -> bool:
        """Whether this is a certificate; else it is a sheet that says why it is none."""
        return not self.reasons

    @property
    def title(self) -> str:
        """The sheet's title."""
        return "Service certificate" if self.released else "Not released"


def certify(record: Record, job: str, checked: Checked, trust: Trust, at: str) -> Certificate:
    """Make a job's certificate, or the sheet that says why there is none.

    Args:
        record: open.
        job: the job's whole id.
        checked: what a verification of this record said just now.
        trust: the keys that are trusted here.
        at: now (RFC 3339).

    Raises:
        UsageError: the record has no such job.
    """
    from capture.record.signatures import hash_at, job_signatures
    from capture.review.certificate_release import release_reasons

    rows = admin.job_rows(record, job)
    names = names_for(record, rows)
    story = tell(rows, names, _Unread(record, inline=False))
    signed = _last_of_each_role(job_signatures(rows, lambda seq: hash_at(record, seq)))
    opened = mapping(story.opened.data) if story.opened else {}
    cautions = opened.get("cautions")
    reasons = release_reasons(rows, story, names, signed, checked, trust)
    return Certificate(
        job=job,
        unit=tuple((item.name, item.value) for item in story.each("identity")),
        facts=tuple(_facts(story, rows, names)),
        reasons=reasons,
        values=tuple(_values(story, names)),
        checks=tuple(_checks(story, names)),
        parts=tuple(tables.kit_lines(story, names)),
        signed=tuple(_signed(signed, names, trust)),
        due=_due(story, names) if not reasons else "Not set: the unit is not released.",
        remarks=tuple(_remarks(story)),
        cautions=(*CAUTIONS, *(map(w.plain, cautions) if isinstance(cautions, list) else ())),
        checked=checked,
        issued=at,
    )


class _Unread(Gallery):
    """Leaves clips and pictures where they are: the sheet shows none."""

    def _make(self, ref: MediaRef) -> Shown:
        return Shown(ref, None)


def _facts(story: Story, rows: Sequence[Row], names: Names) -> Iterable[tuple[str, str]]:
    opened = mapping(story.opened.data) if story.opened else {}
    procedure = mapping(opened.get("procedure"))
    version = f", version {w.plain(procedure.get('version'))}" if procedure.get("version") else ""
    yield "Procedure", f"{w.plain(procedure.get('name'))}{version}" if procedure else "not on record"
    yield "Limits from", ", ".join(tables.limit_sources(story)) or "none"
    yield "Workshop", w.plain(opened.get("workshop")) or "not on record"
    yield "Owner's reference", w.plain(opened.get("reference")) or "none"
    yield "Serviced by", ", ".join(_technicians(story)) or "not on record"
    yield "Received", w.day(rows[0].at)
    end = _end(story)
    yield "Finished", w.day(end.row.at) if end else "not finished"


def _technicians(story: Story) -> list[str]:
    people = (w.plain(item.data.get("technician")) for item in story.items if item.kind in _WORKED)
    return list(dict.fromkeys(person for person in people if person))


def _end(story: Story) -> Item | None:
    return next((item for item in reversed(story.items) if item.kind == "job_end"), None) if story.ended else None


def _values(story: Story, names: Names) -> Iterable[ValueLine]:
    """Each quantity's first value of the procedure's first stage, and its last of any later one."""
    first_stage = names.procedure.stages[0].id if names.procedure else None
    gauges = {w.plain(item.data.get("serial")): item for item in story.each("instrument")}
    for name, items in tables.readings(story, names):
        received = next((item for item in items if item.stage == first_stage), None)
        left = next((item for item in reversed(items) if item.stage != first_stage), None)
        yield ValueLine(name, _value(received, gauges, names), _value(left, gauges, names))


def _value(item: Item | None, gauges: dict[str, Item], names: Names) -> Value | None:
    if item is None:
        return None
    data, verdict = item.data, item.verdict
    limits = w.limits(verdict.get("low"), verdict.get("high"), verdict.get("unit")) if verdict else "none given"
    serial = w.plain(data.get("instrument"))
    if data.get("via") == "photo":
        gauge = "from a photograph"
    elif serial in gauges:
        due = w.plain(gauges[serial].data.get("due"))
        gauge = f"{gauges[serial].name} no. {serial}" + (f", calibrated to {due}" if due else "")
    else:
        gauge = f"no. {serial}" if serial else "gauge not on record"
    badge = item.badges[0] if item.badges and verdict else None
    return Value(
        text=_said(data),
        uncertainty=w.plus_minus(_two_digits(data.get("expanded")), data.get("default_unit")),
        limits=limits,
        stage=names.stage(item.stage),
        gauge=gauge,
        badge=badge,
    )


def _said(data: Mapping[str, Any]) -> str:
    """The value as said, and in the reading's own unit where that is another."""
    said = w.quantity(data.get("value"), data.get("unit"))
    if data.get("unit") == data.get("default_unit"):
        return said
    return f"{said}, that is {w.quantity(data.get('amount'), data.get('default_unit'))}"


def _two_digits(expanded: Any) -> str | None:
    """An uncertainty to two significant digits, rounded up (JCGM 100:2008, 7.2.6 allows both)."""
    try:
        return format(round_up(Decimal(str(expanded)), 2).normalize(), "f")
    except (InvalidOperation, ValueError):
        return None if expanded is None else w.plain(expanded)


def _checks(story: Story, names: Names) -> Iterable[CheckLine]:
    groups: dict[str, list[Item]] = {}
    for item in sorted(story.each("check"), key=lambda item: names.position("check", item.subject)):
        groups.setdefault(item.name, []).append(item)
    for name, items in groups.items():
        before = [item.value for item in items[:-1] if item.value != items[-1].value]
        yield CheckLine(name, items[-1].value, ", ".join(dict.fromkeys(before)), next(iter(items[-1].badges), None))


def _last_of_each_role(signed: Iterable[Signed]) -> tuple[Signed, ...]:
    """Who signs a role again takes the place of the earlier signature, which then counts no more."""
    return tuple({one.role: one for one in signed}.values())


def _signed(signed: Iterable[Signed], names: Names, trust: Trust) -> Iterable[SignedLine]:
    for one in signed:
        doubts = list(one.faults)
        if one.after:
            doubts.append(f"{w.count(len(one.after), 'entry', 'entries')} came after it")
        unknown = trust.doubt(one.key, one.person)
        if unknown is not None:
            doubts.append(unknown)
        yield SignedLine(names.of("sign_off", one.role), one.person, one.at, one.key, "; ".join(doubts))


def _due(story: Story, names: Names) -> str:
    months = names.procedure.interval_months if names.procedure else None
    end = _end(story)
    if months is None:
        return "The procedure names no interval; go by the maker's manual."
    when = _later(date.fromisoformat((end.row if end else story.items[-1].row).at[:10]), months)
    return f"{when.day} {when:%B %Y}"


def _later(day: date, months: int) -> date:
    """The same day so many months later; the month's last day where it is shorter."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def _accepted(story: Story, item: Item) -> bool:
    return decision_of(story.decided.get(item.row.id)) == "accepted"


def _remarks(story: Story) -> Iterable[str]:
    """What was warned of and stands, gravest first, and the notes; each once. Who has not signed stands elsewhere."""
    right = put_right(story)
    said = []
    for raised in story.raised:
        how = " Put right later." if all(item.row.id in right for item in raised.items) else ""
        how = how or (" Accepted in review." if all(_accepted(story, item) for item in raised.items) else "")
        if raised.warning.title != _UNSIGNED:
            said.append(f"{raised.warning.badge.words.capitalize()}: {raised.warning.sentence}{how}")
    said += [f"Note: {item.value}" for item in story.each("note")]
    return dict.fromkeys(said)
