"""The job so far, as much of it as judging needs: what currently stands, in the order in which it was done.

An entry stands until a later one replaces it. A replacement takes the place of what it replaces, so that a turn that is
corrected after the next reading still lies before that reading. What was replaced or withdrawn never stands again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from capture.judge.entry import Entry, Moment, Recorded
from capture.judge.say import knows
from capture.procedure.model import Procedure

VALUE_KINDS = frozenset(
    {
        "identity",
        "instrument",
        "stage",
        "reading",
        "turn",
        "check",
        "part",
        "photo_asked",
        "photo",
        "note",
        "sign_off",
    }
)
"""Kinds of entries that carry a value and can stand, be corrected, withdrawn and confirmed."""

JOB_WIDE = frozenset({"identity", "instrument", "sign_off"})
"""Kinds that hold for the whole job, not for one stage."""

REVIEWED = "reviewed"
"""The kind of an entry in which a reviewer decides on another one; the last decision on an entry counts."""

_BELIEVED_OPEN = frozenset({"implausible", "words_doubtful", "unit_assumed"})


@dataclass(frozen=True)
class Standing:
    """An entry that currently stands. ``place`` is the position, in the whole record of the job, of the first entry
    of its chain of corrections, ``decision`` what a reviewer last decided on it."""

    id: str
    entry: Entry
    moment: Moment
    place: int
    decision: Recorded | None = None

    @property
    def data(self) -> Any:
        """The entry's data."""
        return self.entry.data

    @property
    def accepted(self) -> bool:
        """Whether the entry is accepted, not only recorded: as it came in or by a reviewer, and not queried since."""
        decided = decision_of(self.decision)
        return decided == "accepted" or (self.entry.status == "accepted" and decided != "queried")

    @property
    def queried(self) -> bool:
        """Whether a reviewer asked for it to be taken again or confirmed."""
        return decision_of(self.decision) == "queried"

    @property
    def believed(self) -> bool:
        """Whether its value may be compared with others: accepted, or waiting only because it is not as it should be
        (not because it may have been misheard)."""
        return self.accepted or not any(warning.id in _BELIEVED_OPEN for warning in self.entry.warnings)

    @property
    def amount(self) -> Decimal:
        """A reading's amount in its default unit."""
        return Decimal(self.entry.data["amount"])

    @property
    def expanded(self) -> Decimal | None:
        """A reading's expanded uncertainty in its default unit, or None."""
        value = self.entry.data["expanded"]
        return None if value is None else Decimal(value)


@dataclass(frozen=True)
class JobView:
    """The job so far. ``recorded`` is everything in the order of the record; ``standing`` what stands, by place;
    ``returned`` what a reviewer queried or rejected and nobody has taken anew or confirmed since, by place."""

    recorded: tuple[Recorded, ...]
    standing: tuple[Standing, ...]
    stage: str | None
    last_field: str | None
    returned: tuple[Standing, ...] = ()

    @classmethod
    def of(cls, recorded: Iterable[Recorded], procedure: Procedure) -> JobView:
        """The view of these recorded entries, given in the order of the record. An entry about something that the
        procedure does not know never stands."""
        entries = tuple(recorded)
        found = [held for held in _unreplaced(entries) if knows(procedure, held.entry.kind, held.entry.subject)]
        unreplaced = tuple(sorted(found, key=lambda held: held.place))
        standing = tuple(held for held in unreplaced if decision_of(held.decision) != "rejected")
        begun = [held.entry.subject for held in standing if held.entry.kind == "stage"]
        fields = [
            item.entry.subject
            for item in entries
            if item.entry.kind == "reading" and item.entry.data.get("via") != "photo"
        ]
        return cls(
            recorded=entries,
            standing=standing,
            stage=begun[-1] if begun else None,
            last_field=fields[-1] if fields else None,
            returned=tuple(_returned(entries, unreplaced)),
        )

    @property
    def end(self) -> int:
        """The place that a new entry takes."""
        return len(self.recorded)

    @property
    def newest(self) -> Recorded | None:
        """The last recorded entry of any kind."""
        return self.recorded[-1] if self.recorded else None

    def find(self, id_: str | None) -> Standing | None:
        """The standing entry with this ledger id."""
        return next((held for held in self.standing if held.id == id_), None)

    def each(
        self, kind: str, subject: str | None = None, *, stage: str | None = None, before: int | None = None
    ) -> Iterator[Standing]:
        """Standing entries of one kind, in order; narrowed by subject, by stage, and to places before ``before``."""
        for held in self.standing:
            if held.entry.kind != kind or (before is not None and held.place >= before):
                continue
            if (subject is None or held.entry.subject == subject) and (stage is None or held.entry.stage == stage):
                yield held

    def last(
        self, kind: str, subject: str | None = None, *, stage: str | None = None, before: int | None = None
    ) -> Standing | None:
        """The last of ``each``."""
        return max(self.each(kind, subject, stage=stage, before=before), key=lambda held: held.place, default=None)

    def readings(self, field: str, *, before: int | None = None, via: str | None = None) -> list[Standing]:
        """Standing, believed readings of a field, in order, of one way of taking them ("voice", "photo") or of both."""
        return [
            held
            for held in self.each("reading", field, before=before)
            if held.believed and (via is None or held.data["via"] == via)
        ]

    def waiting(self, field: str | None = None) -> list[Standing]:
        """Entries that wait to be confirmed, or that a reviewer queried, in order; only those that no later entry of
        the same thing, in the same stage, has overtaken. With ``field``: only readings of it."""
        return [
            held
            for index, held in enumerate(self.standing)
            if not held.accepted
            and (field is None or (held.entry.kind == "reading" and held.entry.subject == field))
            and not any(same_thing(held.entry, later.entry) for later in self.standing[index + 1 :])
        ]

    def newest_value(self) -> Standing | None:
        """The standing entry that was recorded last."""
        ids = {held.id: held for held in self.standing}
        return next((ids[item.id] for item in reversed(self.recorded) if item.id in ids), None)


def same_thing(one: Entry, two: Entry) -> bool:
    """Whether two entries are about one thing, taken in one way, in one stage (where the stage matters)."""
    if (one.kind, one.subject, way(one)) != (two.kind, two.subject, way(two)):
        return False
    return one.stage == two.stage or one.kind in JOB_WIDE


def way(entry: Entry) -> str | None:
    """What tells entries of one subject apart: how a reading was taken, whether a part came out or went in."""
    value = entry.data.get("via") or entry.data.get("action")
    return None if value is None else str(value)


def decision_of(decision: Recorded | None) -> str | None:
    """What a reviewer's entry decided: "accepted", "queried" or "rejected"; None when nothing (any more)."""
    return None if decision is None else str(decision.entry.data.get("decision"))


def decisions(entries: Iterable[Recorded]) -> dict[str, Recorded]:
    """By entry id, the reviewers' last decision on it; comments decide nothing, and what was taken back is none."""
    found: dict[str, Recorded] = {}
    for item in entries:
        if item.entry.kind != REVIEWED or decision_of(item) == "commented":
            continue
        about = str(item.entry.data.get("about"))
        if decision_of(item) == "taken_back":
            found.pop(about, None)
        else:
            found[about] = item
    return found


def returned(recorded: Iterable[Recorded]) -> tuple[Standing, ...]:
    """What a reviewer queried or rejected and nobody has taken anew or confirmed since, by place."""
    entries = tuple(recorded)
    return tuple(_returned(entries, tuple(sorted(_unreplaced(entries), key=lambda held: held.place))))


def _unreplaced(entries: tuple[Recorded, ...]) -> Iterator[Standing]:
    replaced = {item.entry.replaces for item in entries}
    decided = decisions(entries)
    places: dict[str, int] = {}
    for index, item in enumerate(entries):
        replaces = item.entry.replaces
        places[item.id] = index if replaces is None else places.get(replaces, index)
        if item.entry.kind in VALUE_KINDS and item.entry.status != "not_accepted" and item.id not in replaced:
            yield Standing(item.id, item.entry, item.moment, places[item.id], decided.get(item.id))


def _returned(entries: tuple[Recorded, ...], unreplaced: tuple[Standing, ...]) -> Iterator[Standing]:
    """What was queried or rejected and not taken anew since; a later decision than the taking counts again."""
    order = {item.id: index for index, item in enumerate(entries)}
    for held in unreplaced:
        if held.decision is None or decision_of(held.decision) == "accepted":
            continue
        since = order[held.decision.id]
        if not any(same_thing(held.entry, other.entry) and order[other.id] > since for other in unreplaced):
            yield held
