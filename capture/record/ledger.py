"""The record that can be opened, read and appended to."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from capture.errors import UsageError
from capture.record import chain, connection, heads, media
from capture.record.rows import Head, JobSummary, MediaRef, Row
from capture.record.times import format_time, parse_time
from capture.record.trouble import told_plainly
from capture.record.uuid7 import uuid7

if TYPE_CHECKING:
    from sqlite_utils import Database

COLUMNS = "seq, id, job, kind, at, mono, session, body, prev, hash"
"""A row's columns, in the order of the fields of ``Row``."""

_INSERT = f"INSERT INTO ledger ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
_PAGE = 500
_NOTED_AT_ONCE = 100_000


class Record:
    """A record's folder, open. Safe to use from several threads; any number of programs may read and append at once.

    Use ``Record.open`` or ``Record.create``, and close it or use it in a ``with`` block.
    """

    def __init__(self, folder: Path, db: Database, *, writing: bool) -> None:
        self.folder = folder
        self._db = db
        self._writing = writing
        self._lock = threading.RLock()

    @classmethod
    def create(cls, folder: str | Path) -> Record:
        """Make a new, empty record; a folder that is made for it can be opened by its owner alone: it holds voices.

        Args:
            folder: does not exist yet, or is empty but for what a making that broke off has left.

        Raises:
            UsageError: there is something in it already.
            EnvironmentFault: it cannot be written.
        """
        folder = Path(folder)
        with told_plainly(folder):
            if connection.ledger_path(folder).exists():
                raise UsageError(f"{folder}: there is a record already; open it, or name another folder.")
            if folder.exists() and any(not _is_begun(path) for path in folder.iterdir()):
                raise UsageError(f"{folder}: the folder is not empty; name a new or an empty one.")
            if not folder.exists():
                _make_private(folder.absolute())
            media.make_folder(folder.absolute() / connection.MEDIA)
        return cls._opened(folder)

    @classmethod
    def open(cls, folder: str | Path, *, writing: bool = True) -> Record:
        """Open a record that is there.

        Args:
            folder: the record's folder.
            writing: False to read only; nothing in the folder is touched then.

        Raises:
            UsageError: there is no record, or a newer version of the program wrote it.
            EnvironmentFault: it cannot be read, or not be written.
            IntegrityError: SQLite finds the ledger damaged.
        """
        folder = Path(folder)
        connection.check_there(folder)
        if writing:
            return cls._opened(folder)
        with told_plainly(connection.ledger_path(folder)):
            return cls(folder, connection.for_reading(folder), writing=False)

    @classmethod
    def _opened(cls, folder: Path) -> Record:
        with told_plainly(connection.ledger_path(folder)):
            record = cls(folder, connection.for_writing(folder), writing=True)
            media.flush_folder(folder)
            record._note_missing_heads()
        return record

    def close(self) -> None:
        """Close the ledger; harmless when it is closed already."""
        with self._lock:
            self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def append(
        self,
        *,
        job: str,
        kind: str,
        body: Mapping[str, Any],
        at: datetime | str,
        mono: float,
        session: str,
        media: Sequence[MediaRef] = (),
    ) -> Row:
        """Append one row; when this returns, it is on the disk.

        Args:
            job: the job's id.
            kind: what kind of row, see ``capture.judge.entry``.
            body: plain JSON; must not hold "media", which comes from ``media``.
            at: the wall clock, an aware datetime or an RFC 3339 time.
            mono: seconds since the session began, not negative.
            session: the session's id.
            media: what the row points to, as ``put_media`` returned it.

        Returns:
            The row as stored.

        Raises:
            UsageError: an argument is not as above, or a file of ``media`` is not in the store.
            EnvironmentFault: the disk is full, read-only or failing, or another program keeps the ledger locked.
            IntegrityError: SQLite finds the ledger damaged.
        """
        if not self._writing:
            raise UsageError(f"{self.folder}: the record is open for reading only; open it for writing.")
        self._check_row(job, kind, body, session, media)
        text, when, mono = _stored(body, media), _time(at), _seconds(mono)
        with self._lock, told_plainly(connection.ledger_path(self.folder)):
            row = self._insert(job, kind, text, when, mono, session)
            heads.add(self.folder, [(row.seq, row.hash)])
        return row

    def put_media(self, content: bytes, kind: str, media_type: str) -> MediaRef:
        """Store a file's bytes durably and return the reference that a row can carry.

        Args:
            content: the bytes.
            kind: its part in the job: "clip", "photo", "overlay", "procedure", "setup", ...
            media_type: its MIME type, "audio/wav" for example.

        Raises:
            EnvironmentFault: the disk is full, read-only or failing.
        """
        if not self._writing:
            raise UsageError(f"{self.folder}: the record is open for reading only; open it for writing.")
        return media.put(self._media, content, kind, media_type)

    def read_media(self, sha256: str) -> bytes:
        """The bytes with this SHA-256, checked.

        Raises:
            UsageError: ``sha256`` is not a SHA-256.
            IntegrityError: the file is missing or no longer what it was.
        """
        return media.get(self._media, sha256)

    def media_path(self, sha256: str) -> Path:
        """Where the file with this SHA-256 lies, whether or not it is there."""
        return media.media_path(self._media, sha256)

    def rows(self, job: str | None = None) -> Iterator[Row]:
        """The rows in their order, of one job or of all; rows appended meanwhile are included."""
        where = "seq > ?" if job is None else "seq > ? AND job = ?"
        last = 0
        while True:
            values = (last,) if job is None else (last, job)
            page = self._fetch(f"SELECT {COLUMNS} FROM ledger WHERE {where} ORDER BY seq LIMIT {_PAGE}", values)
            for values_of_row in page:
                yield _row(values_of_row)
            if len(page) < _PAGE:
                return
            last = page[-1][0]

    def row(self, id_: str) -> Row:
        """The row with this id.

        Raises:
            UsageError: there is none.
        """
        found = self._fetch(f"SELECT {COLUMNS} FROM ledger WHERE id = ?", (id_,))
        if not found:
            raise UsageError(f"{self.folder}: there is no row with the id {id_}; list the jobs to find it.")
        return _row(found[0])

    def has_job(self, job: str) -> bool:
        """Whether there is a row of the job with this whole id."""
        return bool(self._fetch("SELECT 1 FROM ledger WHERE job = ? LIMIT 1", (job,)))

    def jobs(self) -> list[JobSummary]:
        """All jobs, in the order of their first rows."""
        columns = tuple(field.name for field in fields(JobSummary))
        found = self._fetch(f"SELECT {', '.join(columns)} FROM job", ())
        named = (dict(zip(columns, values, strict=True)) for values in found)
        return [JobSummary(**{**job, "ended": bool(job["ended"])}) for job in named]

    def head(self) -> Head:
        """The last row's number and hash; number 0 and the genesis hash when there is no row."""
        found = self._fetch("SELECT seq, hash FROM ledger ORDER BY seq DESC LIMIT 1", ())
        return Head(*found[0]) if found else Head(0, chain.GENESIS)

    @property
    def _media(self) -> Path:
        return self.folder / connection.MEDIA

    def _fetch(self, sql: str, values: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        with self._lock, told_plainly(connection.ledger_path(self.folder)):
            return self._db.conn.execute(sql, values).fetchall()

    def _insert(self, job: str, kind: str, text: str, at: str, mono: float, session: str) -> Row:
        id_ = str(uuid7(time.time_ns() // 1_000_000, secrets.token_bytes(10)))
        conn = self._db.conn
        conn.execute("BEGIN IMMEDIATE")
        try:
            head = self.head()
            seq = head.seq + 1
            digest = chain.row_hash(
                seq=seq, id_=id_, job=job, kind=kind, at=at, mono=mono, session=session, body=text, prev=head.hash
            )
            values = (seq, id_, job, kind, at, mono, session, text, head.hash, digest)
            conn.execute(_INSERT, values)
            conn.execute("COMMIT")
        except BaseException:
            if conn.in_transaction:
                conn.execute("ROLLBACK")
            raise
        return _row(values)

    def _check_row(self, job: str, kind: str, body: Mapping[str, Any], session: str, refs: Sequence[MediaRef]) -> None:
        for name, value in (("job", job), ("kind", kind), ("session", session)):
            if not isinstance(value, str) or not value:
                raise UsageError(f"A row's {name} must be text, not {value!r}; hand it in.")
        if "media" in body:
            raise UsageError('A row\'s body must not hold "media" itself; hand the references in as media.')
        for ref in refs:
            path = self.media_path(ref.sha256)
            if not path.is_file() or path.stat().st_size != ref.size:
                raise UsageError(f"{path}: the row's file is not in the store; store it with put_media first.")

    def _note_missing_heads(self) -> None:
        """Write the lines of ``heads.txt`` that a crash between commit and line left out."""
        head = self.head()
        if heads.is_complete(self.folder, head.seq, head.hash):
            return
        for first, last in heads.not_noted(self.folder, head.seq):
            for begin in range(first, last + 1, _NOTED_AT_ONCE):
                span = (begin, min(last, begin + _NOTED_AT_ONCE - 1))
                found = self._fetch("SELECT seq, hash FROM ledger WHERE seq BETWEEN ? AND ? ORDER BY seq", span)
                heads.add(self.folder, found)


def _make_private(folder: Path) -> None:
    media.make_folder(folder.parent)
    folder.mkdir(mode=0o700)
    media.flush_folder(folder.parent)


def _is_begun(path: Path) -> bool:
    """Whether this is what the making of a record leaves when it breaks off: an empty media folder."""
    return path.name == connection.MEDIA and path.is_dir() and not any(path.iterdir())


def _stored(body: Mapping[str, Any], refs: Sequence[MediaRef]) -> str:
    try:
        return chain.canonical({**body, "media": [ref.to_body() for ref in refs]})
    except ValueError as error:
        raise UsageError(f"A row's body cannot be written as JSON: {error}; hand in plain JSON.") from error


def _time(at: datetime | str) -> str:
    try:
        if isinstance(at, str):
            parse_time(at)
            return at
        return format_time(at)
    except ValueError as error:
        raise UsageError(str(error)) from error


def _seconds(mono: float) -> float:
    if not 0 <= mono < 1e12:
        raise UsageError(f"A row's seconds since the session began are {mono!r}; they count up from 0.")
    return float(mono) + 0.0


def _row(values: Sequence[Any]) -> Row:
    seq, id_, job, kind, at, mono, session, text, prev, digest = values
    return Row(seq, id_, job, kind, at, mono, session, chain.load(text), prev, digest)
