"""Recompute every row's hash and its place in the chain."""

from __future__ import annotations

import math
import sqlite3
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from capture.record import chain
from capture.record.check_content import UUID7, Remarks
from capture.record.check_heads import HeadsWalk
from capture.record.check_notes import Notes
from capture.record.check_page import COLUMNS, SoundPage, Time, Values, look
from capture.record.rows import Fault, Head
from capture.record.spread import Spread
from capture.record.times import parse_time
from capture.record.trouble import UNREADABLE

_SELECT = f"SELECT {', '.join(COLUMNS)} FROM ledger NOT INDEXED"
_PAGE = 500
_SESSIONS = 4096
"""Sessions whose last time is remembered; one that rests for longer than so many others is begun anew."""
_TEXTS = frozenset(COLUMNS) - {"seq", "mono"}
_COMPARE = "compare with a copy of the record; do not rely on this row"


@dataclass
class Chained:
    """What the walk along the chain found. ``head`` is the last row's; ``outside`` whether a row that is what it was
    has the hash that was looked for. The ``next`` row must have this number, and ``prev`` as its own; ``times`` holds
    each session's last."""

    notes: Notes
    told: Callable[[Fault], None]
    wanted: str | None = None
    count: int = 0
    head: Head = field(default_factory=lambda: Head(0, chain.GENESIS))
    outside: bool = False
    notices: list[Fault] = field(default_factory=list)
    next: int = 1
    prev: str = chain.GENESIS
    times: OrderedDict[str, Time] = field(default_factory=OrderedDict)

    def pass_time(self, session: str, time: Time) -> Time | None:
        """Keep a session's last time; returns the one before it."""
        before = self.times.pop(session, None)
        self.times[session] = time
        if len(self.times) > _SESSIONS:
            self.times.popitem(last=False)
        return before

    def fault(self, seq: int, id_: object, what: str, todo: str = _COMPARE) -> None:
        """Tell a fault about a row."""
        self.told(Fault(f"row {seq} (id {id_})", what, todo))


def check_rows(
    connection: sqlite3.Connection,
    found: Chained,
    noted: HeadsWalk,
    last_noted: int,
    progress: Callable[[int, int], None],
    spread: Spread,
) -> None:
    """Walk along all rows, page by page; a page that is not sound, or does not follow what was before, row by row.

    Args:
        connection: the ledger, in one read transaction, its text handed out as bytes.
        found: takes what is found.
        noted: is shown each row's id and hash.
        last_noted: the highest row number that ``heads.txt`` knows, 0 for none.
        progress: told how many rows are done, of how many.
        spread: looks the pages through.
    """
    total = max(last_noted, _highest(connection))
    for page, sound in spread.over(look, _pages(connection, total, found)):
        if sound is None or not _follows(sound, found) or not noted.rows(sound.lines):
            _row_by_row(found, noted, page)
        else:
            _take(sound, found)
        progress(found.next - 1, total)
    progress(total, total)


def _follows(sound: SoundPage, found: Chained) -> bool:
    """Does a page that is sound in itself follow what was before it, also in the time of its sessions?"""
    if sound.first != found.next or sound.prev != found.prev:
        return False
    earlier = ((found.times.get(session), first) for session, (first, _) in sound.sessions.items())
    return all(before is None or (at >= before[0] and mono >= before[1]) for before, (at, mono) in earlier)


def _take(sound: SoundPage, found: Chained) -> None:
    found.count += sound.last - sound.first + 1
    found.next, found.prev = sound.last + 1, sound.hash
    found.head = Head(sound.last, sound.hash)
    found.outside |= found.wanted is not None and f" {found.wanted}".encode() in sound.lines
    for session, (_, last) in sound.sessions.items():
        found.pass_time(session, last)
    found.notes.take(sound.remarks)


def _row_by_row(found: Chained, noted: HeadsWalk, page: Iterable[Values]) -> None:
    remarks = Remarks()
    for values in page:
        seq = values[0]
        _missing(found, seq)
        before = found.prev if seq == found.next else None
        found.next = max(found.next, seq + 1)
        found.prev = (
            _check_row(found, noted, remarks, dict(zip(COLUMNS, values, strict=True)), before)
            if len(values) > 1
            else ""
        )
    found.notes.take(remarks)


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


def _pages(connection: sqlite3.Connection, total: int, found: Chained) -> Iterator[list[Values]]:
    """All rows in order; of one that SQLite cannot read its number alone. After damage every number is tried by
    itself."""
    last: int | None = None
    while True:
        where = "" if last is None else f"WHERE seq > {last}"
        page: list[Values] = []
        try:
            for values in connection.execute(f"{_SELECT} {where} ORDER BY seq LIMIT {_PAGE}"):
                page.append(values)
        except UNREADABLE as error:
            if page:
                yield page
            last = page[-1][0] if page else last
            yield from ([values] for values in _one_by_one(connection, (last or 0) + 1, total, found, error))
            return
        if page:
            yield page
        if len(page) < _PAGE:
            return
        last = page[-1][0]


def _one_by_one(
    connection: sqlite3.Connection, first: int, total: int, found: Chained, error: Exception
) -> Iterator[Values]:
    if first > total:
        found.fault(first, "unknown", f"the ledger cannot be read from here on ({error})")
    for seq in range(first, total + 1):
        try:
            values = connection.execute(f"{_SELECT} WHERE seq = ?", (seq,)).fetchone()
        except UNREADABLE as trouble:
            found.fault(seq, "unknown", f"the row cannot be read ({trouble})")
            yield (seq,)
        else:
            if values is not None:
                yield values


def _missing(found: Chained, seq: int) -> None:
    expected = found.next
    if seq < 1:
        found.fault(seq, "any", "a row with this number was never written by the program")
    elif seq > expected:
        gone = f"row {expected}" if seq == expected + 1 else f"rows {expected} to {seq - 1}"
        found.told(Fault(gone, "missing from the ledger", "put the ledger back from a copy"))


def _check_row(found: Chained, noted: HeadsWalk, remarks: Remarks, values: dict[str, Any], before: str | None) -> str:
    """Check one row; returns the hash that the next row's ``prev`` must be."""
    row, undecodable = _decoded(values)
    seq, id_ = row["seq"], row["id"]
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
    _check_content(found, remarks, row, itself=itself)
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


def _check_content(found: Chained, remarks: Remarks, row: dict[str, Any], *, itself: bool) -> None:
    seq, id_ = row["seq"], row["id"]
    if not UUID7.fullmatch(id_):
        found.fault(seq, id_, "its id is not a UUIDv7")
    try:
        body, canonical = chain.load_canonical(row["body"])
        remarks.point(seq, row["job"], body.get("media", ()))
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        found.fault(seq, id_, f"its body is not what the program writes ({error!r})")
        return
    if not canonical:
        found.fault(seq, id_, "its body is not canonical JSON (RFC 8785)")
    remarks.add(seq, id_, row["job"], row["kind"], body, itself=itself)
    _check_time(found, seq, row)


def _check_time(found: Chained, seq: int, row: dict[str, Any]) -> None:
    try:
        at = parse_time(row["at"])
    except ValueError as error:
        found.fault(seq, row["id"], str(error))
        return
    before = found.pass_time(row["session"], (at, row["mono"]))
    if before is None:
        return
    where = f"row {seq} (id {row['id']})"
    if at < before[0]:
        what = f"the clock ran back within its session, from {before[0].isoformat()} to {row['at']}"
        found.notices.append(Fault(where, what, "take the order of the rows, not their clock"))
    if row["mono"] < before[1]:
        what = f"the seconds of its session ran back, from {before[1]} to {row['mono']}"
        found.notices.append(Fault(where, what, "take the order of the rows"))
