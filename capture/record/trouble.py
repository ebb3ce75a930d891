"""What the disk and SQLite complain about, as one sentence of ours."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from capture.errors import CaptureError, EnvironmentFault, IntegrityError

_OS_REASONS = {
    errno.ENOSPC: "the disk is full; free some space and do it again, nothing already stored is harmed",
    errno.EDQUOT: "the disk quota is used up; free some space and do it again, nothing already stored is harmed",
    errno.EROFS: "the disk is read-only; make it writable or name another folder",
    errno.EACCES: "access is denied; check who may write there",
    errno.EPERM: "access is denied; check who may write there",
    errno.ENOTDIR: "a part of the path is a file, not a folder; name another folder",
}

_SQLITE_REASONS = {
    sqlite3.SQLITE_FULL: "the disk is full; free some space and do it again, nothing already stored is harmed",
    sqlite3.SQLITE_READONLY: "the ledger is read-only; check who may write there and whether the disk can be written",
    sqlite3.SQLITE_BUSY: "another program keeps the ledger locked; close it and do it again",
    sqlite3.SQLITE_LOCKED: "another program keeps the ledger locked; close it and do it again",
    sqlite3.SQLITE_CANTOPEN: "the ledger cannot be opened; check that the folder exists and who may write there",
    sqlite3.SQLITE_IOERR: "the disk failed at reading or writing; check the disk, then verify the record",
    sqlite3.SQLITE_NOMEM: "there is not enough memory; close other programs and do it again",
}

UNREADABLE = (sqlite3.DatabaseError, UnicodeDecodeError)
"""What reading a damaged ledger raises; the second when SQLite's own message quotes damaged bytes."""

_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


_ASIDE = "leave it as it is, run 'benchwitness verify' on it and go on with a copy kept elsewhere."


@contextmanager
def told_plainly(where: Path) -> Iterator[None]:
    """Turn what the operating system or SQLite raises inside the block into an error of this package.

    Args:
        where: the file or folder that is worked on, named in the message.

    Raises:
        EnvironmentFault: disk full, read-only, locked, denied or failing.
        IntegrityError: SQLite finds the ledger damaged.
    """
    try:
        yield
    except CaptureError:
        raise
    except sqlite3.Error as error:
        raise _from_sqlite(where, error) from error
    except UnicodeDecodeError as error:
        raise IntegrityError(f"{where}: the ledger is damaged ({error}); {_ASIDE}") from error
    except OSError as error:
        reason = _OS_REASONS.get(error.errno or 0)
        raise EnvironmentFault(f"{where}: {reason or f'{error.strerror or error}; check the disk'}.") from error


def _from_sqlite(where: Path, error: sqlite3.Error) -> CaptureError:
    code = getattr(error, "sqlite_errorcode", None)
    primary = None if code is None else code & 0xFF
    if primary in _DAMAGED or (primary is None and "malformed" in str(error)):
        return IntegrityError(f"{where}: the ledger is damaged ({error}); {_ASIDE}")
    reason = _SQLITE_REASONS.get(primary) if primary is not None else None
    return EnvironmentFault(f"{where}: {reason or f'SQLite says {error}; verify the record'}.")
