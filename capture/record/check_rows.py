"""Recompute every row's hash and its place in the chain."""

from __future__ import annotations

import math
import re
import sqlite3
from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from capture.record import chain
from capture.record.admin import IMPORTED, PURGED
from capture.record.check_heads import HeadsWalk
from capture.record.check_notes import Notes
from capture.record.check_proofs import PROVEN
from capture.record.rows import Fault, Head, MediaRef
from capture.record.times import parse_time
from capture.record.trouble import UNREADABLE

_COLUMNS = ("seq", "id", "job", "kind", "at", "mono", "session", "body", "prev", "hash")
_SELECT = f"SELECT {', '.join(_COLUMNS)} FROM ledger NOT INDEXED"
_PAGE = 500
_SESSIONS = 4096
"""Sessions whose last time is remembered; one that rests for longer than so many others is begun anew."""
_TEXTS = frozenset(_COLUMNS) - {"seq", "mono"}
_UUID7 = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}")
_SHA256 = re.compile(r"[0-9a-f]{64}")
_COMPARE = "compare with a copy of the record; do not rely on this row"


@dataclass
class Chained:
    """What the walk along the chain found. ``head`` is the last row's; ``outside`` whether a row that is what it was
    has the hash that was looked for."""

    notes: Notes
    told: Callable[[Fault], None]
    wanted: str | None = None
    count: int = 0
    head: Head = field(default_factory=lambda: Head(0, chain.GENESIS))
    outside: bool = False
    notices: list[Fault] = field(default_factory=list)
    times: OrderedDict[str, tuple[datetime, float]] = field(default_factory=OrderedDict)

    def fault(self, seq: int, id_: object, what: str, todo: str = _COMPARE) -> None:
        """Tell a fault about a row."""
        self.told(Fault(f"row {seq} (id {id_})", what, todo))


def check_rows(
    connection: sqlite3.Connection,
    found: Chained,
    noted: HeadsWalk,
    last_noted: int,
    progress: Callable[[int, int], None],
) -> None:
    """Walk along all rows.

    Args:
        connection: the ledger, in one read transaction, its text handed out as bytes.
        found: takes what is found.
        noted: is shown each row's id and hash.
        last_noted: the highest row number that ``heads.txt`` knows, 0 for none.
        progress: told how many rows are done, of how many.
    """
    expected, prev = 1, chain.GENESIS
    total = max(last_noted, _highest(connection))
    for seq, values in _rows(connection, total, found):
        _missing(found, expected, seq)
        before = prev if seq == expected else None
        expected = max(expected, seq + 1)
        prev = _check_row(found, noted, seq, values, before) if values is not None else ""
        if seq % _PAGE == 0:
            progress(seq, total)
    progress(total, total)


def check_ids(connection: sqlite3.Connection, found: Chained, *, sound: bool) -> None:
    """Is every id that of one row only? ``sound``: the ledger's own index of ids can be relied on."""
    source = "ledger" if sound else "ledger NOT INDEXED"
    try:
        twice = connection.execute(
            f"SELECT id, min(seq), max(seq) FROM {source} GROUP BY id HAVING count(*) > 1"
        ).fetchall()
    except UNREADABLE:
        return
    for id_, first, last in twice:
        shown = id_.decode(errors="backslashreplace") if isinstance(id_, bytes) else repr(id_)
        found.fault(last, shown, f"its id is also that of row {first}")


def _highest(connection: sqlite3.Connection) -> int:
    try:
        (highest,) = connection.execute("SELECT max(seq) FROM ledger").fetchone()
    except UNREADABLE:
        return 0
    return highest if isinstance(highest, int) else 0


def _rows(connection: sqlite3.Connection, total: int, found: Chained) -> Iterator[tuple[int, dict[str, Any] | None]]:
    """All rows in order; None for one that SQLite cannot read. After damage every number is tried by itself."""
    last: int | None = None
    while True:
        where = "" if last is None else f"WHERE seq > {last}"
        page = []
        try:
            for values in connection.execute(f"{_SELECT} {where} ORDER BY seq LIMIT {_PAGE}"):
                page.append(values)
        except UNREADABLE as error:
            yield from _named(page)
            last = page[-1][0] if page else last
            yield from _one_by_one(connection, (last or 0) + 1, total, found, error)
            return
        yield from _named(page)
        if len(page) < _PAGE:
            return
        last = page[-1][0]


def _one_by_one(
    connection: sqlite3.Connection, first: int, total: int, found: Chained, error: Exception
) -> Iterator[tuple[int, dict[str, Any] | None]]:
    if first > total:
        found.fault(first, "unknown", f"the ledger cannot be read from here on ({error})")
    for seq in range(first, total + 1):
        try:
            values = connection.execute(f"{_SELECT} WHERE seq = ?", (seq,)).fetchone()
        except UNREADABLE as trouble:
            found.fault(seq, "unknown", f"the row cannot be read ({trouble})")
            yield seq, None
        else:
            if values is not None:
                yield from _named([values])


def _named(page: list[tuple[Any, ...]]) -> Iterator[tuple[int, dict[str, Any]]]:
    for values in page:
        yield values[0], dict(zip(_COLUMNS, values, strict=True))


def _missing(found: Chained, expected: int, seq: int) -> None:
    if seq < 1:
        found.fault(seq, "any", "a row with this number was never written by the program")
    elif seq > expected:
        gone = f"row {expected}" if seq == expected + 1 else f"rows {expected} to {seq - 1}"
        found.told(Fault(gone, "missing from the ledger", "put the ledger back from a copy"))


def _check_row(found: Chained, noted: HeadsWalk, seq: int, values: dict[str, Any], before: str | None) -> str:
    """Check one row; returns the hash that the next row's ``prev`` must be."""
    row, undecodable = _decoded(values)
    id_ = row["id"]
    found.count += 1
    noted.row(seq, str(id_), str(row["hash"]))
    if undecodable:
        found.fault(seq, id_, f"changed: {', '.join(undecodable)} cannot be read")
        return str(row["hash"])
    digest = chain.row_hash(
        seq=seq,
        id_=id_,
        job=row["job"],
        kind=row["kind"],
        at=row["at"],
        mono=row["mono"],
        session=row["session"],
        body=row["body"],
        prev=row["prev"],
    )
    itself = digest == row["hash"]
    if not itself:
        found.fault(seq, id_, f"changed: its content gives the hash {digest}, stored is {row['hash']}")
    elif found.wanted is not None and digest.startswith(found.wanted):
        found.outside = True
    if before is not None and row["prev"] != before:
        found.fault(seq, id_, f"the chain is broken before it: it follows {row['prev']}, the row before has {before}")
    found.head = Head(seq, row["hash"])
    _check_content(found, seq, row, itself=itself)
    return str(row["hash"])


def _decoded(values: dict[str, Any]) -> tuple[dict[str, Any], list[str]]:
    row, undecodable = dict(values), []
    for name in _TEXTS:
        try:
            row[name] = values[name].decode()
        except (UnicodeDecodeError, AttributeError):
            undecodable.append(name)
    mono = values["mono"]
    if not isinstance(mono, float) or not math.isfinite(mono) or math.copysign(1, mono) < 0:
        undecodable.append("mono")
    if not isinstance(row["id"], str):
        row["id"] = repr(row["id"])
    return row, sorted(undecodable)


def _check_content(found: Chained, seq: int, row: dict[str, Any], *, itself: bool) -> None:
    id_ = row["id"]
    if not _UUID7.fullmatch(id_):
        found.fault(seq, id_, "its id is not a UUIDv7")
    try:
        body, canonical = chain.load_canonical(row["body"])
        refs = [_ref(medium) for medium in body.get("media", ())]
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        found.fault(seq, id_, f"its body is not what the program writes ({error!r})")
        return
    if not canonical:
        found.fault(seq, id_, "its body is not canonical JSON (RFC 8785)")
    job, kind = row["job"], row["kind"]
    if refs:
        found.notes.point(seq, job, refs)
    if kind == PURGED and itself:
        found.notes.purge(job, _purged(body))
    if kind in PROVEN:
        found.notes.prove(seq, job, imported=kind == IMPORTED)
    if "review" in body:
        found.notes.alter(job)
    if "origin" in body:
        found.notes.stray(seq, id_, job)
    _check_time(found, seq, row)


def _purged(body: dict[str, Any]) -> list[str]:
    try:
        return [str(item["sha256"]) for item in body["data"]["files"]]
    except (KeyError, TypeError):
        return []


def _ref(medium: dict[str, Any]) -> MediaRef:
    ref = MediaRef(medium["sha256"], medium["size"], medium["media_type"], medium["kind"])
    if type(ref.size) is not int or not all(isinstance(t, str) for t in (ref.sha256, ref.media_type, ref.kind)):
        raise TypeError(f"not a media reference: {medium}")
    if not _SHA256.fullmatch(ref.sha256) or ref.size < 0:
        raise ValueError(f"{ref.sha256!r} does not name a file of the media store")
    (ref.media_type + ref.kind).encode()
    return ref


def _check_time(found: Chained, seq: int, row: dict[str, Any]) -> None:
    try:
        at = parse_time(row["at"])
    except ValueError as error:
        found.fault(seq, row["id"], str(error))
        return
    before = found.times.pop(row["session"], None)
    found.times[row["session"]] = (at, row["mono"])
    if len(found.times) > _SESSIONS:
        found.times.popitem(last=False)
    if before is None:
        return
    where = f"row {seq} (id {row['id']})"
    if at < before[0]:
        what = f"the clock ran back within its session, from {before[0].isoformat()} to {row['at']}"
        found.notices.append(Fault(where, what, "take the order of the rows, not their clock"))
    if row["mono"] < before[1]:
        what = f"the seconds of its session ran back, from {before[1]} to {row['mono']}"
        found.notices.append(Fault(where, what, "take the order of the rows"))
