"""Checking signatures: who signed what, whether it holds, and what came after."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from capture.errors import CaptureError
from capture.record import admin
from capture.record.decisions import changes
from capture.record.ledger import Record
from capture.record.origin import Layer, layers
from capture.record.rows import Row
from capture.record.signing import PURGE, SIGN_OFF, digest_of, holds, public_key

_NO_CHANGE = admin.KINDS | {"paused", "resumed", "handed_over"}
"""Kinds of rows after which a signed job is still what was signed."""

HashAt = Callable[[int], str | None]
"""The hash of the row with this number in the ledger at hand, or None."""


@dataclass(frozen=True)
class Signed:
    """A signature as found: the row's number and id, who signed what and when, with which key, what is wrong with it
    (nothing: it holds), and the ids of the job's entries that came after it."""

    row: int
    id: str
    job: str
    role: str
    person: str
    key: str
    at: str
    faults: tuple[str, ...]
    after: tuple[str, ...]

    @property
    def holds(self) -> bool:
        """True when the signature verifies."""
        return not self.faults

    def __str__(self) -> str:
        verdict = "holds" if self.holds else "DOES NOT HOLD: " + "; ".join(self.faults)
        changed = f", changed since signed: {_entries(len(self.after))}" if self.after else ""
        return (
            f"job {self.job}: signed as {self.role} by {self.person} at {self.at} with key {self.key[:16]}, "
            f"{verdict}{changed}"
        )


def job_signatures(rows: Sequence[Row], look: HashAt = lambda seq: None) -> tuple[Signed, ...]:
    """Check every signature of one job.

    Args:
        rows: all rows of the job, in their order.
        look: looks a row up by its number; without it the signed head is only compared with the job's own rows.
    """
    return tuple(_check(rows, index, look) for index, row in enumerate(rows) if row.kind == admin.SIGNATURE)


def record_signatures(record: Record) -> tuple[Signed, ...]:
    """Check every signature of a record, job by job."""
    jobs = record._fetch("SELECT job FROM ledger WHERE kind = ? GROUP BY job ORDER BY min(seq)", (admin.SIGNATURE,))
    found: list[Signed] = []
    for (job,) in jobs:
        found += job_signatures(list(record.rows(job)), lambda seq: hash_at(record, seq))
    return tuple(found)


def purge_holds(rows: Sequence[Row], row: Row) -> bool | None:
    """Whether the signature of a purge's row holds; None when it has none."""
    data = _data(row)
    sealed = data.get("sealed")
    if sealed is None:
        return None
    if not isinstance(sealed, dict) or not isinstance(sealed.get("statement"), dict):
        return False
    statement = sealed["statement"]
    key = str(statement.get("key"))
    raw = _raw_key(rows, key)
    said = {name: value for name, value in data.items() if name != "sealed"}
    stated = {name: value for name, value in statement.items() if name not in ("key", "job")}
    same = stated == said and statement.get("job") == row.job
    return same and raw is not None and holds(raw, PURGE, sealed)


def _check(rows: Sequence[Row], index: int, look: HashAt) -> Signed:
    row = rows[index]
    data = _data(row)
    try:
        faults = _faults(rows, index, look)
    except (CaptureError, KeyError, TypeError, AttributeError) as error:
        faults = [f"the row is not what the program writes ({error})"]
    return Signed(
        row=row.seq,
        id=row.id,
        job=row.job,
        role=str(data.get("role")),
        person=str(data.get("person")),
        key=str(data.get("key")),
        at=row.at,
        faults=tuple(faults),
        after=_after(rows, row),
    )


def _faults(rows: Sequence[Row], index: int, look: HashAt) -> list[str]:
    row, data = rows[index], rows[index].body["data"]
    statement: Mapping[str, Any] = data["statement"]
    faults = []
    expected = {"at": row.at, "job": row.job, "key": data["key"], "person": data["person"], "role": data["role"]}
    differing = [name for name, value in expected.items() if statement.get(name) != value]
    if differing:
        faults.append(f"what was signed says something else about {', '.join(differing)}")
    raw = _raw_key(rows[:index], str(data["key"]), str(data["person"]))
    if raw is None:
        faults.append("the job holds no such key of this person")
    elif not holds(raw, SIGN_OFF, data):
        faults.append("it was not made with that key over that statement")
    faults += _content_faults(rows[:index], statement, len(layers(row)) - 1, look)
    return faults


def _content_faults(before: Sequence[Row], statement: Mapping[str, Any], depth: int, look: HashAt) -> list[str]:
    """Does the statement fit the job's rows, as they stood in the ledger where it was signed?"""
    there = _there(before, depth)[: statement["rows"]]
    hashes = [layer.hash for _, layer in there]
    head = statement["head"]
    faults = []
    if statement["rows"] != len(hashes) or statement["digest"] != digest_of(hashes):
        faults.append(f"the job's first {len(hashes)} rows are not the {statement['rows']} that were signed")
    known = {layer.seq: layer.hash for _, layer in there}.get(head["seq"])
    if known is None and depth == 0:
        known = look(head["seq"])
    if known is not None and known != head["hash"]:
        faults.append(f"row {head['seq']} is not the chain's head that was signed")
    return faults


def _after(rows: Sequence[Row], row: Row) -> tuple[str, ...]:
    """Ids of the job's entries that a signature does not cover; what was measured and said, not the keeping."""
    statement = _data(row).get("statement")
    count = statement.get("rows") if isinstance(statement, dict) else None
    try:
        there = _there(rows, len(layers(row)) - 1)
    except CaptureError:
        there = []
    covered = {known.id for known, _ in there[: count if isinstance(count, int) and count > 0 else 0]}
    return tuple(
        other.id for other in rows if other.kind not in _NO_CHANGE and other.id not in covered and changes(other)
    )


def _there(rows: Sequence[Row], depth: int) -> list[tuple[Row, Layer]]:
    """The rows as they stood in the ledger that is ``depth`` imports back, those that were in it."""
    found = ((row, layers(row)) for row in rows)
    return [(row, known[depth]) for row, known in found if depth < len(known)]


def _raw_key(rows: Sequence[Row], key: str, person: str | None = None) -> bytes | None:
    for row in rows:
        if row.kind == admin.KEY and _data(row).get("key") == key:
            try:
                found = public_key(row)
            except CaptureError:
                continue
            if person is None or found.person == person:
                return found.raw
    return None


def _data(row: Row) -> dict[str, Any]:
    data = row.body.get("data")
    return data if isinstance(data, dict) else {}


def hash_at(record: Record, seq: int) -> str | None:
    """The hash of a record's row, or None when there is none with this number."""
    found = record._fetch("SELECT hash FROM ledger WHERE seq = ?", (seq,))
    return str(found[0][0]) if found else None


def _entries(count: int) -> str:
    return "1 entry" if count == 1 else f"{count} entries"
