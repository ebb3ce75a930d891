"""What a verification must remember of a ledger of any length, in a database of its own that SQLite keeps on the disk.

Rows are walked over once; which files they point to, which files were purged, and which jobs have proofs to be followed
is written down here, so that the memory needed does not grow with the record.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from capture.record.check_content import Remarks
from capture.record.rows import MediaRef

_SCHEMA = """
CREATE TABLE ref (sha256 TEXT NOT NULL, size INTEGER NOT NULL, media_type TEXT, kind TEXT, seq INTEGER, job TEXT);
CREATE TABLE purged (job TEXT NOT NULL, sha256 TEXT NOT NULL, PRIMARY KEY (job, sha256)) WITHOUT ROWID;
CREATE TABLE proven (job TEXT PRIMARY KEY, first INTEGER, imported INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE altered (job TEXT PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE astray (seq INTEGER PRIMARY KEY, id TEXT, job TEXT);
"""
_CACHE_KB = 32_768


@dataclass(frozen=True)
class File:
    """A file that rows point to: the first reference to these bytes, by how many rows, and the first of them."""

    ref: MediaRef
    rows: int
    first: int


class Notes:
    """Notes of one verification; use it in a ``with`` block."""

    def __init__(self) -> None:
        self._db = sqlite3.connect("", isolation_level=None, check_same_thread=False)
        self._db.execute(f"PRAGMA cache_size = -{_CACHE_KB}")
        self._db.execute("PRAGMA journal_mode = OFF")
        self._db.execute("PRAGMA synchronous = OFF")
        self._db.executescript(_SCHEMA)
        self._db.execute("BEGIN")
        self._purged = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._db.close()

    def take(self, remarks: Remarks) -> None:
        """Write down what some rows gave."""
        put = self._db.executemany
        put("INSERT INTO ref VALUES (?, ?, ?, ?, ?, ?)", remarks.refs)
        if remarks.purged:
            self._purged = True
            put("INSERT OR IGNORE INTO purged VALUES (?, ?)", remarks.purged)
        put(
            "INSERT INTO proven VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET imported = max(imported, excluded.imported)",
            remarks.proven,
        )
        put("INSERT OR IGNORE INTO altered VALUES (?)", ((job,) for job in remarks.altered))
        put("INSERT OR IGNORE INTO astray VALUES (?, ?, ?)", remarks.astray)

    def index(self) -> int:
        """Make ready to be asked; returns how many files there are."""
        self._db.execute("CREATE INDEX ref_file ON ref (sha256, size, seq)")
        (count,) = self._db.execute("SELECT count(*) FROM (SELECT 1 FROM ref GROUP BY sha256, size)").fetchone()
        return int(count)

    def files(self, prefix: str) -> Iterator[File]:
        """The files whose SHA-256 begins with ``prefix``, in the order of their names."""
        found = self._db.execute(
            "SELECT sha256, size, media_type, kind, count(*), min(seq) FROM ref "
            "WHERE sha256 >= ? AND sha256 < ? GROUP BY sha256, size ORDER BY sha256, size",
            (prefix, f"{prefix}\U0010ffff"),
        )
        for digest, size, media_type, kind, rows, first in found.fetchall():
            yield File(MediaRef(digest, size, media_type, kind), rows, first)

    def prefixes(self) -> list[str]:
        """The first two digits of all files' SHA-256."""
        return [
            str(prefix) for (prefix,) in self._db.execute("SELECT DISTINCT substr(sha256, 1, 2) FROM ref ORDER BY 1")
        ]

    def pointing(self, ref: MediaRef, most: int) -> list[int]:
        """The numbers of the first rows that point to a file."""
        found = self._db.execute(
            "SELECT DISTINCT seq FROM ref WHERE sha256 = ? AND size = ? ORDER BY seq LIMIT ?",
            (ref.sha256, ref.size, most),
        )
        return [seq for (seq,) in found]

    def purged_on_purpose(self, ref: MediaRef) -> bool:
        """Whether every job that points to a file has a row, unchanged, that says that it was purged."""
        if not self._purged:
            return False
        wanted = self._db.execute(
            "SELECT 1 FROM ref LEFT JOIN purged USING (job, sha256) "
            "WHERE ref.sha256 = ? AND ref.size = ? AND purged.job IS NULL LIMIT 1",
            (ref.sha256, ref.size),
        ).fetchone()
        return wanted is None

    def jobs_to_prove(self) -> Iterator[str]:
        """The jobs that were signed, reviewed, purged, imported or altered in review."""
        first = self._db.execute("SELECT job FROM proven ORDER BY first").fetchall()
        more = self._db.execute("SELECT job FROM altered WHERE job NOT IN (SELECT job FROM proven)").fetchall()
        yield from (str(job) for (job,) in (*first, *more))

    def gone_astray(self) -> list[tuple[int, str]]:
        """(number, id) of rows that say that they were imported, in jobs that were not."""
        found = self._db.execute("SELECT seq, id FROM astray WHERE job NOT IN (SELECT job FROM proven WHERE imported)")
        return [(int(seq), str(id_)) for seq, id_ in found]


def names_in(folder: Path) -> list[Path]:
    """What lies in a folder, in the order of the names; nothing when it is none."""
    return sorted(folder.iterdir()) if folder.is_dir() else []
