"""Recompute the whole record and name everything that is not as it was written.

The order: the database file itself, its schema, every row and its place in the chain, the lines of ``heads.txt``, a
head from outside, every file that a row points to, then signatures and the origin of imported jobs. Nothing is changed,
and a damaged place does not stop the rest from being checked. A file that was purged on purpose is no fault.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from capture.errors import UsageError
from capture.record import chain, connection, heads
from capture.record.check_files import check_files
from capture.record.check_heads import HeadsWalk
from capture.record.check_notes import Notes
from capture.record.check_proofs import Proofs, check_proofs
from capture.record.check_rows import Chained, check_ids, check_rows
from capture.record.check_schema import check_database, check_schema
from capture.record.rows import Fault, Verification
from capture.record.spread import Spread
from capture.record.trouble import UNREADABLE, told_plainly

Progress = Callable[[str, int, int], None]
"""Told what is being checked ("database", "rows", "media", "signed jobs"), how many are done, how many there are."""

MOST = 10_000
"""Faults that are named, and likewise notices; more are counted."""

LARGE = 16_000_000
"""From how many bytes of the ledger on the work is spread over several processes."""

_HEAD = re.compile(r"[0-9a-f]{16,64}")


class _Findings:
    """Faults and notices, of each no more than can be read; the rest is counted."""

    def __init__(self) -> None:
        self._kept: tuple[list[Fault], list[Fault]] = ([], [])
        self._more = [0, 0]

    def fault(self, fault: Fault) -> None:
        """Add a fault."""
        self._add(0, fault)

    def first(self, faults: list[Fault]) -> None:
        """Put faults before all others."""
        self._kept[0][:0] = faults

    def notice(self, notice: Fault) -> None:
        """Add a notice."""
        self._add(1, notice)

    def _add(self, which: int, fault: Fault) -> None:
        if len(self._kept[which]) < MOST:
            self._kept[which].append(fault)
        else:
            self._more[which] += 1

    @property
    def all(self) -> tuple[tuple[Fault, ...], tuple[Fault, ...]]:
        """(faults, notices); the last one says how many more there are."""
        ends = (
            [Fault(connection.LEDGER, f"{more} more like these", "put right what is named, then verify again")]
            if more
            else []
            for more in self._more
        )
        faults, notices = ((*kept, *end) for kept, end in zip(self._kept, ends, strict=True))
        return faults, notices


def verify(
    folder: str | Path, *, head: str | None = None, progress: Progress | None = None, processes: int = 1
) -> Verification:
    """Check a record.

    Args:
        folder: the record's folder.
        head: the hash of a row, or at least its first 16 digits, that was kept outside the record (printed on a
            report, say); the record must still contain that row, so that rows cut off or rewritten are seen.
        progress: called now and then.
        processes: how many to spread the work of a large record over (see ``Spread``).

    Returns:
        Everything found.

    Raises:
        UsageError: there is no record, or ``head`` is not a hash.
        EnvironmentFault: the folder cannot be read.
    """
    folder = Path(folder)
    connection.check_there(folder)
    wanted = _wanted(head)
    told = progress or (lambda what, done, total: None)
    findings = _Findings()
    with told_plainly(folder), Notes() as notes, Spread(processes if _is_large(folder) else 1) as spread:
        chained = Chained(notes, findings.fault, wanted)
        _check_ledger(folder, chained, findings, told, spread)
        if wanted is not None and not chained.outside and not chain.GENESIS.startswith(wanted):
            what = f"no row has the hash {wanted} that was kept outside: rows were cut off or rewritten"
            findings.fault(Fault(connection.LEDGER, what, "put the record back from a copy that has this row"))
        files = check_files(folder / connection.MEDIA, notes, told, findings.fault, findings.notice, spread)
        proofs = Proofs()
        if chained.count:
            proofs = check_proofs(folder, notes, lambda done: told("signed jobs", done, done), spread)
        for fault in proofs.faults:
            findings.fault(fault)
        for notice in proofs.notices:
            findings.notice(notice)
    faults, notices = findings.all
    return Verification(chained.count, files, chained.head, faults, notices, proofs.signatures, proofs.signed)


def _is_large(folder: Path) -> bool:
    """Whether other processes would be worth their start."""
    return connection.ledger_path(folder).stat().st_size >= LARGE


def _check_ledger(folder: Path, chained: Chained, findings: _Findings, told: Progress, spread: Spread) -> None:
    try:
        db = connection.for_reading(folder)
    except UNREADABLE as error:
        what = f"the file cannot be read as a ledger ({error})"
        findings.fault(Fault(connection.LEDGER, what, "put it back from a copy"))
        _finish(HeadsWalk(folder, lambda seq: None, findings.fault), chained, findings)
        return
    try:
        conn = db.conn
        conn.text_factory = bytes
        conn.execute("BEGIN")
        told("database", 0, 1)
        database = spread.beside(check_database, folder)
        schema = check_schema(db)
        with closing(HeadsWalk(folder, lambda seq: _stored(conn, seq), findings.fault)) as walk:
            last = heads.last_noted(folder)
            check_rows(conn, chained, walk, last, lambda done, total: told("rows", done, total), spread)
            unsound = [*database(), *schema]
            findings.first(unsound)
            check_ids(conn, chained, sound=not unsound)
            _finish(walk, chained, findings)
    finally:
        db.close()


def _finish(walk: HeadsWalk, chained: Chained, findings: _Findings) -> None:
    for notice in (*walk.finish(chained.count), *chained.notices):
        findings.notice(notice)


def _stored(conn: sqlite3.Connection, seq: int) -> tuple[str, str] | None:
    found = conn.execute("SELECT id, hash FROM ledger WHERE seq = ?", (seq,)).fetchone()
    return None if found is None else (_text(found[0]), _text(found[1]))


def _text(value: object) -> str:
    return value.decode(errors="backslashreplace") if isinstance(value, bytes) else repr(value)


def _wanted(head: str | None) -> str | None:
    if head is None:
        return None
    cleaned = re.sub(r"[\s-]", "", head).lower()
    if not _HEAD.fullmatch(cleaned):
        raise UsageError(f"The head {head!r} is not a row's hash; give its 64 hexadecimal digits, or the first 16.")
    return cleaned
