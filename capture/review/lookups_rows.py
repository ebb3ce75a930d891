"""One batch of ledger rows into the tables of the look-up index."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any

from capture.record import chain
from capture.record.decisions import REVIEWED
from capture.review.lookups_jobs import HEADERS, WRITE_JOB, JobNow, seconds_of
from capture.review.lookups_looks import Deciding, may_need_look, needs_look, returned
from capture.review.lookups_schema import STANDING, plain

_UNREPLACED = '"replaces":null'
_TAKEN = frozenset({"identity", "part", "instrument", "reading"}) | HEADERS
_INSERTS = {
    "identity": 6,
    "part": 11,
    "gauge": 6,
    "reading": 24,
    "waiting": 2,
    "look": 2,
}


@dataclass(frozen=True)
class _Replacing:
    """An entry that stands in for another one of its job, whose id is ``target``."""

    seq: int
    job: str
    kind: str
    target: str
    confirmed: bool


class Batch:
    """Rows of the ledger, taken in their order, written to the index at the end."""

    def __init__(self, index: sqlite3.Connection, ledger: sqlite3.Connection) -> None:
        self._index = index
        self._ledger = ledger
        self._jobs: dict[str, JobNow] = {}
        self._opened: dict[str, tuple[Any, ...]] = {}
        self._person: dict[str, str] = {}
        self._rows: dict[str, list[tuple[Any, ...]]] = {table: [] for table in _INSERTS}
        self._steps: list[_Replacing | Deciding] = []
        self._tally: dict[tuple[str, str], list[int]] = {}

    def take(self, seq: int, id_: str, job: str, kind: str, at: str, body: str) -> None:
        """One row of the ledger; ``body`` is its text."""
        if job not in self._jobs:
            self._jobs[job] = JobNow(job, seq, at)
        self._jobs[job].count(kind, at, body)
        waiting = '"status":"unconfirmed"' in body
        replacing = _UNREPLACED not in body and '"replaces":"' in body
        look = may_need_look(kind, body)
        if kind not in _TAKEN and kind != REVIEWED and not waiting and not replacing and not look:
            return
        try:
            found = chain.load(body)
            data = found.get("data") or {}
            if kind == REVIEWED:
                self._steps.append(Deciding(seq, job, str(data["about"]), str(data["decision"])))
                return
            if look and needs_look(kind, found):
                self._rows["look"].append((seq, job))
            if kind in HEADERS:
                self._header(job, kind, data)
                return
            self._entry(seq, job, kind, at, found, data)
        except (ValueError, TypeError, AttributeError, KeyError, InvalidOperation):
            return

    def finish(self) -> set[str]:
        """Write everything; returns the units whose series may have changed."""
        for table, width in _INSERTS.items():
            marks = ", ".join("?" * width)
            self._index.executemany(f"INSERT OR REPLACE INTO {table} VALUES ({marks})", self._rows[table])
        self._write_jobs()
        for step in self._steps:
            if isinstance(step, Deciding):
                step.apply(self._index, self._ledger)
            else:
                self._replace(step)
        self._index.executemany(
            "INSERT INTO tally VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET "
            "readings = readings + excluded.readings, corrected = corrected + excluded.corrected, "
            "withdrawn = withdrawn + excluded.withdrawn, confirmed = confirmed + excluded.confirmed",
            [(*key, *counts) for key, counts in self._tally.items()],
        )
        return self._settle_jobs()

    def _header(self, job: str, kind: str, data: dict[str, Any]) -> None:
        if data.get("technician"):
            self._person[job] = str(data["technician"])
        if kind == "opened":
            procedure = data.get("procedure") or {}
            names = (procedure.get("id"), procedure.get("name"), procedure.get("version"))
            header = (*names, data.get("technician"), data.get("workshop"), data.get("reference"))
            self._opened[job] = tuple(None if value is None else str(value) for value in header)

    def _entry(self, seq: int, job: str, kind: str, at: str, body: dict[str, Any], data: dict[str, Any]) -> None:
        status = str(body.get("status"))
        gone = int(status == "not_accepted")
        replaces = body.get("replaces")
        if replaces:
            self._steps.append(_Replacing(seq, job, kind, str(replaces), bool(data.get("confirmed"))))
        if status == "unconfirmed":
            self._rows["waiting"].append((seq, job))
        stage = body.get("stage")
        if kind == "identity":
            value = str(data["value"])
            self._rows["identity"].append((seq, job, str(data["field"]), value, plain(value), gone))
        elif kind == "part":
            lot = _text(data.get("lot"))
            row = (seq, job, at, stage, str(data["part"]), str(data["action"]), int(data["quantity"]), lot)
            self._rows["part"].append((*row, _plain(lot), status, gone))
        elif kind == "instrument":
            serial = _text(data.get("serial"))
            self._rows["gauge"].append((seq, job, serial, _plain(serial), seq, gone))
        elif kind == "reading":
            self._reading(seq, job, at, body, data, gone)

    def _reading(self, seq: int, job: str, at: str, body: dict[str, Any], data: dict[str, Any], gone: int) -> None:
        person = self._who(job)
        at = _taken_at(body, at)
        verdict = body.get("verdict") or {}
        low, high = _text(verdict.get("low")), _text(verdict.get("high"))
        amount = str(data["amount"])
        room = room_of(amount, low, high)
        near = None if room is None else abs(room)
        serial = _text(data.get("instrument"))
        field = str(data["field"])
        self._rows["reading"].append(
            (
                *(
                    seq,
                    job,
                    person,
                    at,
                    seconds_of(at),
                    body.get("stage"),
                    field,
                    str(data["value"]),
                    str(data["unit"]),
                ),
                *(amount, str(data["default_unit"]), _text(data.get("expanded")), _text(verdict.get("outcome"))),
                *(low, high, room, near, _text(data.get("via")), serial, serial, _plain(serial)),
                *(str(body.get("status")), gone, int(bool(body.get("replaces")))),
            )
        )
        counts = self._tally.setdefault((person or "", field), [0, 0, 0, 0])
        counts[0] += not body.get("replaces") and data.get("via") != "photo"

    def _who(self, job: str) -> str | None:
        if job not in self._person:
            found = self._index.execute("SELECT person FROM job WHERE job = ?", (job,)).fetchone()
            self._person[job] = str(found[0]) if found and found[0] else ""
        return self._person[job] or None

    def _add(self, person: str | None, field: str, what: int) -> None:
        self._tally.setdefault((person or "", field), [0, 0, 0, 0])[what] += 1

    def _replace(self, by: _Replacing) -> None:
        """Strike what an entry stands in for, if it is of the same job."""
        found = self._ledger.execute("SELECT seq, job, kind FROM ledger WHERE id = ?", (by.target,)).fetchone()
        if found is None or found[1] != by.job:
            return
        seq, _, kind = found
        for table in ("waiting", "look", "decision"):
            self._index.execute(f"DELETE FROM {table} WHERE seq = ?", (seq,))
        for table in STANDING:
            self._index.execute(f"UPDATE {table} SET gone = 1 WHERE seq = ?", (seq,))
        if kind == by.kind == "instrument":
            self._rename_gauge(seq, by)
        if kind == "reading":
            said = self._index.execute("SELECT person, field, via FROM reading WHERE seq = ?", (seq,)).fetchone()
            if said is not None and said[2] != "photo":
                self._add(said[0], said[1], 3 if by.confirmed else 2 if by.kind == "withdrawn" else 1)

    def _rename_gauge(self, seq: int, by: _Replacing) -> None:
        """A gauge's number was corrected: what was read with it in between was read with the one named now."""
        old = self._index.execute("SELECT plain, root FROM gauge WHERE seq = ?", (seq,)).fetchone()
        new = self._index.execute("SELECT serial, plain FROM gauge WHERE seq = ? AND gone = 0", (by.seq,)).fetchone()
        if old is None or new is None:
            return
        self._index.execute("UPDATE gauge SET root = ? WHERE seq = ?", (old[1], by.seq))
        if old[0] is not None and new[1] is not None:
            self._index.execute(
                "UPDATE reading SET gauge = ?, plain = ? WHERE job = ? AND plain = ? AND seq > ? AND seq < ?",
                (*new, by.job, old[0], old[1], by.seq),
            )

    def _write_jobs(self) -> None:
        self._index.executemany(WRITE_JOB, [now.values() for now in self._jobs.values()])
        self._index.executemany(
            "UPDATE job SET procedure = ?, procedure_name = ?, version = ?, technician = ?, workshop = ?, "
            "reference = ? WHERE job = ?",
            [(*header, job) for job, header in self._opened.items()],
        )
        self._index.executemany(
            "UPDATE job SET person = ? WHERE job = ?", [(person, job) for job, person in self._person.items() if person]
        )

    def _settle_jobs(self) -> set[str]:
        """Count again what stands in each job of the batch; returns their units, old and new."""
        units: set[str] = set()
        for job in self._jobs:
            (before,) = self._index.execute("SELECT unit FROM job WHERE job = ?", (job,)).fetchone()
            identities = self._index.execute(
                "SELECT value FROM (SELECT field, value, max(seq) FROM identity WHERE job = ? AND gone = 0 "
                "GROUP BY field) ORDER BY field",
                (job,),
            )
            unit = " ".join(value for (value,) in identities) or None
            (failed, undecided) = self._index.execute(
                "SELECT coalesce(sum(outcome = 'fail'), 0), coalesce(sum(outcome = 'undecided'), 0) "
                "FROM reading WHERE job = ? AND gone = 0",
                (job,),
            ).fetchone()
            (waiting,) = self._index.execute("SELECT count(*) FROM waiting WHERE job = ?", (job,)).fetchone()
            (looks,) = self._index.execute("SELECT count(*) FROM look WHERE job = ?", (job,)).fetchone()
            queried, rejected = returned(self._index, self._ledger, job)
            self._index.execute(
                "UPDATE job SET unit = ?, failed = ?, undecided = ?, unconfirmed = ?, queried = ?, rejected = ?, "
                "attention = ? WHERE job = ?",
                (unit, failed, undecided, waiting, queried, rejected, looks + queried + rejected, job),
            )
            units |= {value for value in (before, unit) if value}
        return units


def room_of(amount: str, low: str | None, high: str | None) -> float | None:
    """How far inside its limits an amount is (see ``lookups_schema``); None without a usable limit."""
    bounds = [Decimal(bound) for bound in (low, high) if bound is not None]
    if not bounds:
        return None
    value = Decimal(amount)
    below = [] if low is None else [value - Decimal(low)]
    above = [] if high is None else [Decimal(high) - value]
    inside = min(below + above)
    width = bounds[1] - bounds[0] if len(bounds) == 2 else abs(bounds[0])
    return float(inside / width) if width else None


def _taken_at(body: dict[str, Any], at: str) -> str:
    """When a reading was taken: one that a reviewer wrote counts as of the one whose place it took."""
    review = body.get("review")
    return str(review["taken_at"]) if isinstance(review, dict) and review.get("taken_at") else at


def _text(value: Any) -> str | None:
    return None if value is None else str(value)


def _plain(value: str | None) -> str | None:
    return (plain(value) or None) if value else None
