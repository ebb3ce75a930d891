"""Opening the ledger's database, for writing or for reading only."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING

from capture.errors import UsageError
from capture.record import schema

if TYPE_CHECKING:
    from sqlite_utils import Database

LEDGER = "ledger.sqlite"
MEDIA = "media"

BUSY_SECONDS = 10.0
"""How long to wait for another program that is writing."""


def ledger_path(folder: Path) -> Path:
    """The ledger's file in a record's folder."""
    return folder / LEDGER


def check_there(folder: Path) -> None:
    """Raise a UsageError unless ``folder`` holds a ledger."""
    if not ledger_path(folder).is_file():
        raise UsageError(f"{folder}: there is no record here ({LEDGER} is missing); name the record's folder.")


def for_writing(folder: Path) -> Database:
    """Open or make the ledger: write-ahead log, every commit flushed to the disk, foreign keys on, schema newest."""
    connection = sqlite3.connect(ledger_path(folder), timeout=BUSY_SECONDS, check_same_thread=False)
    try:
        db = _database(connection)
        schema.check_is_ours(connection)
        schema.mark_as_ours(connection)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA fullfsync = ON")
        connection.execute("PRAGMA foreign_keys = ON")
        schema.migrate(db)
    except BaseException:
        connection.close()
        raise
    return db


def for_reading(folder: Path) -> Database:
    """Open the ledger without writing anything.

    A ledger whose folder cannot be written cannot have SQLite's shared-memory file made; when no log is waiting
    beside it, it is read as it stands.
    """
    try:
        return _reading(folder, "mode=ro")
    except sqlite3.OperationalError:
        log = folder / f"{LEDGER}-wal"
        if log.exists() and log.stat().st_size:
            raise
        return _reading(folder, "mode=ro&immutable=1")


def _reading(folder: Path, how: str) -> Database:
    address = f"{ledger_path(folder).absolute().as_uri()}?{how}"
    connection = sqlite3.connect(address, uri=True, timeout=BUSY_SECONDS, check_same_thread=False)
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        return _database(connection)
    except BaseException:
        connection.close()
        raise


def _database(connection: sqlite3.Connection) -> Database:
    from sqlite_utils import Database

    return Database(connection, execute_plugins=False)
