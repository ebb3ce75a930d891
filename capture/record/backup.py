"""Copying a record while it is in use, and proving the copy."""

from __future__ import annotations

import os
import secrets
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from itertools import islice
from pathlib import Path

from capture.errors import IntegrityError, UsageError
from capture.record import connection, heads, media
from capture.record.rows import Verification
from capture.record.trouble import told_plainly
from capture.record.verify import verify

_LINES_AT_ONCE = 100_000

Progress = Callable[[str, int, int], None]


def backup(folder: Path, target: Path, progress: Progress | None = None) -> Verification:
    """Copy a record to a new folder and verify the copy; the record may be written to meanwhile.

    The ledger is copied through SQLite's own backup (one moment of it, whatever is appended later), then every file
    that its rows point to, then the lines of ``heads.txt`` up to that moment.

    Args:
        folder: the record's folder.
        target: the copy's folder; there is nothing yet, or an empty folder.
        progress: called now and then.

    Returns:
        What the verification of the copy found; it has no faults.

    Raises:
        UsageError: there is no record, or something at ``target``.
        IntegrityError: the copy does not prove itself; it stays beside ``target``, for comparison.
        EnvironmentFault: the disk is full, read-only or failing.
    """
    folder, target = Path(folder), Path(target)
    told = progress or (lambda what, done, total: None)
    connection.check_there(folder)
    if target.is_symlink() or target.is_file() or (target.is_dir() and any(target.iterdir())):
        raise UsageError(f"{target}: there is something already, and nothing is overwritten; name a new folder.")
    if target.absolute().is_relative_to((folder / connection.MEDIA).absolute()):
        raise UsageError(f"{target}: a copy inside the record's own media is none; name a folder elsewhere.")
    work = target.absolute().parent / f".incoming-{secrets.token_hex(6)}"
    with told_plainly(target):
        work.mkdir(parents=True)
        try:
            _copy_ledger(folder, work, told)
            _copy_media(folder, work, told)
        except BaseException:
            shutil.rmtree(work, ignore_errors=True)
            raise
        found = verify(work, progress=told)
        if not found.ok:
            aside = target.with_name(f"{target.name}.faulty-{secrets.token_hex(4)}")
            work.rename(aside)
            named = "\n".join(f"  {fault}" for fault in found.faults[:20])
            raise IntegrityError(f"{aside}: the copy does not prove itself; verify {folder} itself:\n{named}")
        if target.is_dir():
            target.rmdir()
        work.rename(target)
        media.flush_folder(target.absolute().parent)
    return found


def _copy_ledger(folder: Path, work: Path, told: Progress) -> None:
    path = connection.ledger_path(work)
    source = connection.for_reading(folder).conn
    with closing(source), closing(sqlite3.connect(path)) as copy:
        source.backup(copy, pages=-1, progress=lambda _, left, total: told("pages", total - left, total))
        copy.execute("PRAGMA journal_mode = DELETE")
    with path.open("rb") as stream:
        os.fsync(stream.fileno())


def _copy_media(folder: Path, work: Path, told: Progress) -> None:
    """The files that the copied rows point to, and the lines of their heads; a file that is missing stays missing, for
    the verification to name."""
    with closing(connection.for_reading(work).conn) as copy:
        digests = [str(digest) for (digest,) in copy.execute("SELECT DISTINCT sha256 FROM medium")]
        (last,) = copy.execute("SELECT coalesce(max(seq), 0) FROM ledger").fetchone()
    (work / connection.MEDIA).mkdir()
    for done, digest in enumerate(digests, start=1):
        try:
            source = media.media_path(folder / connection.MEDIA, digest)
        except UsageError:
            continue
        if source.is_file():
            target = media.media_path(work / connection.MEDIA, digest)
            target.parent.mkdir(exist_ok=True)
            with source.open("rb") as content, target.open("xb") as stream:
                shutil.copyfileobj(content, stream, 1 << 20)
                stream.flush()
                os.fsync(stream.fileno())
        told("files", done, len(digests))
    noted = (line for line in heads.Lines(folder) if isinstance(line, heads.HeadLine) and line.seq <= last)
    while page := list(islice(noted, _LINES_AT_ONCE)):
        heads.add(work, [(line.seq, line.hash) for line in page])
