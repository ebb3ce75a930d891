"""What the judge returns and the ledger stores: one entry, with verdict, warnings and advice.

An entry's ``data`` depends on its kind and holds plain JSON only; amounts are decimal strings, turns fraction strings
("1/12"), dates ISO 8601.

=============== ====================================================================================================
kind            data
=============== ====================================================================================================
identity        field, value
instrument      kind, serial, due
stage           stage
reading         field, value, unit (as said), amount (in the reading's default unit), default_unit, expanded (k = 2,
                default unit, or null), unit_assumed, via ("voice" or "photo"), view (photo only), instrument (serial)
turn            counter, turns, direction, stage_total (after it), net (signed, whole job)
check           check, answer, good (true, false or null for an observation)
part            part, action, quantity, lot
photo_asked     view
photo           view, outcome ("measured", "refused" or "not_measured"), reason, sentence, measurement (see ``vision``)
note            text
command         command, field, reply (words to be spoken), about (id of the entry that the reply speaks of, or null)
withdrawn       subject and id of what is withdrawn (also in ``replaces``)
refused         reason, sentence, field
not_understood  sentence
stage_end       stage, missing: list of {kind, ref, name, why}
sign_off        role, person
job_end         missing: list of {stage, kind, ref, name, why}, kit: list of {part, name, kit, fitted, removed},
                unsigned: list of role ids, unconfirmed: list of ids of entries that still wait
=============== ====================================================================================================

A confirmed entry has ``confirmed`` true in its data besides, and ``replaces`` the one that was waiting.

Opening a job is written by the bench, not judged: kind ``opened``, data procedure {id, name, version, digest},
technician, reference, workshop, cautions, settings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

Outcome = Literal["pass", "fail", "undecided", "not_judged"]
Severity = Literal["stop", "warning", "notice"]
Status = Literal["accepted", "unconfirmed", "not_accepted"]


@dataclass(frozen=True)
class Warned:
    """One warning: stable ``id``, how grave it is, one sentence saying what is wrong and one saying what to do."""

    id: str
    severity: Severity
    sentence: str
    todo: str


@dataclass(frozen=True)
class Verdict:
    """How a value stands to its limit; all amounts are decimal strings in ``unit``. ``rule`` names the decision
    rule in words, ``source`` where the limit comes from."""

    outcome: Outcome
    rule: str
    amount: str
    expanded: str | None
    low: str | None
    high: str | None
    unit: str
    source: str


@dataclass(frozen=True)
class Advice:
    """What the procedure's rates suggest; ``caution`` always goes with it."""

    sentence: str
    caution: str


@dataclass(frozen=True)
class Entry:
    """One judged entry. ``subject`` is the id of the reading, counter, check, part, view, stage or field that it is
    about. ``replaces`` is the ledger id of the entry that this one stands in for."""

    kind: str
    stage: str | None
    subject: str | None
    status: Status
    words: str
    data: Mapping[str, Any]
    verdict: Verdict | None = None
    warnings: tuple[Warned, ...] = ()
    advice: Advice | None = None
    replaces: str | None = None


@dataclass(frozen=True)
class Moment:
    """When: wall clock (aware) and seconds since the session began on a clock that never jumps. ``session`` tells
    sessions apart; moments are compared by ``mono`` only within one."""

    at: datetime
    mono: float
    session: str = ""


@dataclass(frozen=True)
class Recorded:
    """An entry that is in the ledger, with its id and moment."""

    id: str
    entry: Entry
    moment: Moment


@dataclass(frozen=True)
class Candidate:
    """What the judge is asked about: a statement or a photo's result, how well it was heard, and by whom."""

    statement: Any = None
    """a ``capture.phrases.statements`` statement, or None for a photo"""
    photo: PhotoResult | None = None
    doubts: tuple[str, ...] = ()
    """sentences of the speech room about words of this statement that are doubtful"""
    confidence: float | None = None
    """the lowest word confidence of the statement, 0 to 1"""
    person: str | None = None
    has_media: bool = True
    """False when the clip or photo that should prove it could not be kept"""


@dataclass(frozen=True)
class PhotoResult:
    """A photo that was looked at. ``view`` is the procedure's photo view; amounts are in millimetres."""

    view: str
    outcome: Literal["measured", "refused", "not_measured"]
    value_mm: float | None = None
    expanded_mm: float | None = None
    reason: str | None = None
    sentence: str | None = None
    flags: tuple[tuple[str, str], ...] = ()
    """(id, sentence) of the measurement's own reservations"""
    measurement: Mapping[str, Any] = field(default_factory=dict)
