"""Recompute the whole record and name everything that is not as it was written.

The order: the database file itself, its schema, every row and its place in the chain, the lines of ``heads.txt``, a
head from outside, every file that a row points to, then signatures and the origin of imported jobs. Nothing is changed,
and a damaged place does not stop the rest from being checked. A file that was purged on purpose is no fault.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from capture.errors import UsageError
from capture.record import chain, connection, heads
from capture.record.check_files import check_files
from capture.record.check_proofs import Proofs, check_proofs
from capture.record.check_rows import Chained, check_rows
from capture.record.check_schema import check_database, check_schema
from capture.record.rows import Fault, Verification
from capture.record.trouble import UNREADABLE, told_plainly

Progress = Callable[[str, int, int], None]
"""Told what is being checked ("rows" or "media"), how many are done and how many there are."""

_HEAD = re.compile(r"[0-9a-f]{16,64}")


@dataclass
class _Findings:
    faults: list[Fault] = field(default_factory=list)
    notices: list[Fault] = field(default_factory=list)

    def add(self, found: tuple[list[Fault], list[Fault]]) -> None:
        self.faults += found[0]
        self.notices += found[1]


def verify(folder: str | Path, *, head: str | None = None, progress: Progress | None = None) -> Verification:
    """Check a record.

    Args:
        folder: the record's folder.
        head: the hash of a row, or at least its first 16 digits, that was kept outside the record (printed on a
            report, say); the record must still contain that row, so that rows cut off or rewritten are seen.
        progress: called now and then.

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
    with told_plainly(folder):
        noted = heads.read(folder)
        findings = _Findings()
        chained = _check_ledger(folder, noted, findings, told)
        findings.add(_check_heads(chained, noted))
        if wanted is not None:
            findings.faults += _check_outside_head(chained, wanted)
        files, found = check_files(folder / connection.MEDIA, chained.refs, told, chained.purged_on_purpose)
        findings.add(found)
        proofs = check_proofs(folder) if chained.count else Proofs()
        findings.add((list(proofs.faults), list(proofs.notices)))
    faults, notices = tuple(findings.faults), tuple(findings.notices)
    return Verification(chained.count, files, chained.head, faults, notices, proofs.signatures)


def _check_ledger(folder: Path, noted: heads.HeadLines | None, findings: _Findings, told: Progress) -> Chained:
    last_noted = max((line.seq for line in noted.lines), default=0) if noted else 0
    try:
        db = connection.for_reading(folder)
    except UNREADABLE as error:
        findings.faults.append(
            Fault(connection.LEDGER, f"the file cannot be read as a ledger ({error})", "put it back from a copy")
        )
        return Chained.nothing()
    try:
        conn = db.conn
        conn.text_factory = bytes
        conn.execute("BEGIN")
        findings.faults += check_database(conn)
        findings.faults += check_schema(db)
        chained = check_rows(conn, last_noted, lambda done, total: told("rows", done, total))
        findings.add((chained.faults, chained.notices))
        return chained
    finally:
        db.close()


def _check_heads(chained: Chained, noted: heads.HeadLines | None) -> tuple[list[Fault], list[Fault]]:
    if noted is None:
        if not chained.count:
            return [], []
        todo = "rows cut off at the end show only against a head kept elsewhere"
        return [], [Fault(heads.NAME, "the file is missing", todo)]
    faults = [
        Fault(f"{heads.NAME} line {number}", "the line cannot be read", "compare with a copy of the record")
        for number in noted.unreadable
    ]
    for line in noted.lines:
        stored = chained.stored.get(line.seq)
        if stored is None:
            what = f"row {line.seq} was stored with hash {line.hash} and is no longer in the ledger"
            faults.append(Fault(f"{heads.NAME} line {line.number}", what, "put the ledger back from a copy"))
        elif stored.hash != line.hash:
            what = f"when row {line.seq} (id {stored.id}) was stored its hash was {line.hash}, now it is {stored.hash}"
            faults.append(Fault(f"{heads.NAME} line {line.number}", what, "compare with a copy of the record"))
    behind = sorted(chained.stored.keys() - {line.seq for line in noted.lines})
    notices = [
        Fault(f"row {seq}", f"{heads.NAME} has no line for it", "a crash right after storing it leaves this")
        for seq in behind
    ]
    return faults, notices


def _wanted(head: str | None) -> str | None:
    if head is None:
        return None
    cleaned = re.sub(r"[\s-]", "", head).lower()
    if not _HEAD.fullmatch(cleaned):
        raise UsageError(f"The head {head!r} is not a row's hash; give its 64 hexadecimal digits, or the first 16.")
    return cleaned


def _check_outside_head(chained: Chained, wanted: str) -> list[Fault]:
    if chain.GENESIS.startswith(wanted) or any(hash_.startswith(wanted) for hash_ in chained.computed.values()):
        return []
    what = f"no row has the hash {wanted} that was kept outside: rows were cut off or rewritten"
    return [Fault(connection.LEDGER, what, "put the record back from a copy that has this row")]
