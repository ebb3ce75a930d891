"""Is the database file whole, and are its tables, triggers and views the ones the program made?"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from capture.record import schema
from capture.record.connection import LEDGER, for_reading
from capture.record.rows import Fault
from capture.record.trouble import UNREADABLE

if TYPE_CHECKING:
    from sqlite_utils import Database

_RESTORE = "put the ledger back from a copy, or go on with what verifies"


def check_database(folder: Path) -> list[Fault]:
    """SQLite's own integrity check of a record's ledger, every complaint a fault."""
    try:
        with closing(for_reading(folder)) as db:
            return _integrity(db.conn)
    except UNREADABLE as error:
        return [_complaint(str(error))]


def _integrity(connection: sqlite3.Connection) -> list[Fault]:
    connection.text_factory = bytes
    try:
        lines = [_text(line) for (line,) in connection.execute("PRAGMA integrity_check(1000)")]
    except UNREADABLE as error:
        lines = [str(error)]
    return [_complaint(line) for line in lines if line != "ok"]


def _complaint(line: str) -> Fault:
    return Fault(LEDGER, f"SQLite's integrity check says: {line}", _RESTORE)


def check_schema(db: Database) -> list[Fault]:
    """Compare tables, triggers, indexes and views with those that the recorded migrations make, and see that SQLite can
    read the views."""
    try:
        names, actual, number = _read(db)
    except UNREADABLE as error:
        return [Fault(LEDGER, f"its schema cannot be read ({error})", _RESTORE)]
    faults = []
    if number != schema.APPLICATION_ID:
        faults.append(Fault(LEDGER, f"its application id is {number}, not {schema.APPLICATION_ID}", _RESTORE))
    unknown = names - schema.known()
    if unknown:
        what = f"it has migrations that this version does not know ({', '.join(sorted(unknown))})"
        faults.append(Fault(LEDGER, what, "verify it with the newest version of the program"))
    reached = schema.up_to(names)
    if reached - names:
        what = f"its list of migrations lacks {', '.join(sorted(reached - names))}"
        faults.append(Fault(LEDGER, what, _RESTORE))
    expected = schema.expected_schema(reached)
    differing = [key for key in expected.keys() | actual.keys() if expected.get(key, "") != actual.get(key, "")]
    faults += [_difference(key, expected, actual) for key in sorted(differing)]
    return faults or _run_views(db.conn)


def _read(db: Database) -> tuple[frozenset[str], dict[tuple[str, str], str | None], int]:
    connection = db.conn
    factory, connection.text_factory = connection.text_factory, lambda raw: raw.decode(errors="backslashreplace")
    try:
        (number,) = connection.execute("PRAGMA application_id").fetchone()
        return _migrations(connection), schema.actual_schema(connection), number
    finally:
        connection.text_factory = factory


def _migrations(connection: sqlite3.Connection) -> frozenset[str]:
    rows = connection.execute("SELECT name FROM _sqlite_migrations WHERE migration_set = ?", (schema.SET,))
    return frozenset(str(name) for (name,) in rows)


def _difference(
    key: tuple[str, str], expected: dict[tuple[str, str], str | None], actual: dict[tuple[str, str], str | None]
) -> Fault:
    what = f"the {key[0]} {key[1]} "
    if key not in actual:
        what += "is missing"
    elif key not in expected:
        what += "is not the program's"
    else:
        what += "was changed"
    return Fault(LEDGER, what, "find out who changed the database; rows may have been changed while it was open")


def _run_views(connection: sqlite3.Connection) -> list[Fault]:
    faults = []
    for view in schema.VIEWS:
        try:
            connection.execute(f"EXPLAIN SELECT * FROM {view}").fetchone()
        except UNREADABLE as error:
            faults.append(Fault(LEDGER, f"the view {view} cannot be read ({error})", _RESTORE))
    return faults


def _text(value: object) -> str:
    return value.decode(errors="backslashreplace") if isinstance(value, bytes) else str(value)
