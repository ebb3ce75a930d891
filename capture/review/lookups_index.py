"""Keeping the look-up index up to date with the ledger, row by row, or making it anew.

The index is ``index.sqlite`` in the record's folder (in memory when that cannot be written). It follows the ledger by
row number; when the row it stopped at is not what it was, or the file is damaged, it is made anew.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from capture.record import chain, connection
from capture.record.trouble import told_plainly
from capture.review import lookups_schema
from capture.review.lookups_rows import Batch
from capture.review.lookups_series import refresh_series

NAME = "index.sqlite"
BATCH = 20_000
"""Rows of the ledger that go into the index in one transaction."""

Progress = Callable[[str, int, int], None]
"""Told "rows", how many are done and how many there are."""

_SELECT = "SELECT seq, id, job, kind, at, body, hash FROM ledger WHERE seq > ? ORDER BY seq LIMIT ?"


@contextmanager
def open_index(folder: Path, progress: Progress | None = None) -> Iterator[sqlite3.Connection]:
    """The index of a record, up to date.

    Args:
        folder: the record's folder.
        progress: called after each batch of rows.

    Raises:
        UsageError: there is no record.
        EnvironmentFault, IntegrityError: the ledger cannot be read.
    """
    connection.check_there(folder)
    told = progress or (lambda what, done, total: None)
    with told_plainly(connection.ledger_path(folder)):
        ledger = connection.for_reading(folder)
        with closing(ledger.conn), closing(_current(folder, ledger.conn, told)) as index:
            yield index


@contextmanager
def near_index(folder: Path) -> Iterator[sqlite3.Connection | None]:
    """The index of a record, when it is there and at most a batch of rows behind; it is then brought up to date.

    Else None: whoever wants one quick answer does better to look into the ledger than to wait for a new index.

    Raises:
        UsageError: there is no record.
        EnvironmentFault, IntegrityError: the ledger cannot be read.
    """
    connection.check_there(folder)
    with told_plainly(connection.ledger_path(folder)), closing(connection.for_reading(folder).conn) as ledger:
        index = _followed(folder / NAME, ledger)
        try:
            yield index
        finally:
            if index is not None:
                index.close()


def _followed(path: Path, ledger: sqlite3.Connection) -> sqlite3.Connection | None:
    if not path.is_file():
        return None
    index = None
    try:
        index = _connect(path)
        state = _state(index)
        (total,) = ledger.execute("SELECT coalesce(max(seq), 0) FROM ledger").fetchone()
        if state is not None and _fits(state, ledger) and total - state[1] <= BATCH:
            _follow(index, ledger, lambda what, done, of: None)
            return index
    except sqlite3.DatabaseError:
        pass
    if index is not None:
        index.close()
    return None


def _current(folder: Path, ledger: sqlite3.Connection, told: Progress) -> sqlite3.Connection:
    path = folder / NAME
    for address in (path, path, ":memory:"):
        index = None
        try:
            index = _connect(address)
            _follow(index, ledger, told)
            return index
        except sqlite3.DatabaseError as error:
            if index is not None:
                index.close()
            if address == ":memory:" or _is_busy(error):
                raise
            _remove(path)
    raise AssertionError("the last address returns or raises")


def _connect(address: str | Path) -> sqlite3.Connection:
    index = sqlite3.connect(address, timeout=connection.BUSY_SECONDS, isolation_level=None, check_same_thread=False)
    try:
        index.execute("PRAGMA journal_mode = WAL")
        index.execute("PRAGMA synchronous = NORMAL")
        index.execute("PRAGMA cache_size = -65536")
    except BaseException:
        index.close()
        raise
    return index


def _is_busy(error: sqlite3.Error) -> bool:
    return (getattr(error, "sqlite_errorcode", 0) & 0xFF) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def _remove(path: Path) -> None:
    for name in (path.name, f"{path.name}-wal", f"{path.name}-shm"):
        try:
            path.with_name(name).unlink(missing_ok=True)
        except OSError:
            return


def _follow(index: sqlite3.Connection, ledger: sqlite3.Connection, told: Progress) -> None:
    """Take in what the ledger has and the index has not; starts over when the two do not fit together."""
    (total,) = ledger.execute("SELECT coalesce(max(seq), 0) FROM ledger").fetchone()
    if _state(index) is not None and _at(index, total, ledger):
        return
    units: set[str] = set()
    while _take_batch(index, ledger, units, lambda done: told("rows", done, total)):
        pass
    with _transaction(index):
        refresh_series(index, units | _unfinished(index))
        index.execute("DELETE FROM unfinished")


def _at(index: sqlite3.Connection, total: int, ledger: sqlite3.Connection) -> bool:
    state = _state(index)
    return (
        state is not None
        and state[1] == total
        and _fits(state, ledger)
        and index.execute("SELECT 1 FROM unfinished LIMIT 1").fetchone() is None
    )


def _take_batch(
    index: sqlite3.Connection, ledger: sqlite3.Connection, units: set[str], told: Callable[[int], None]
) -> bool:
    with _transaction(index):
        state = _state(index)
        if state is None or not _fits(state, ledger):
            state = _start_over(index)
        rows = ledger.execute(_SELECT, (state[1], BATCH)).fetchall()
        if not rows:
            return False
        batch = Batch(index, ledger)
        for row in rows:
            batch.take(*row[:-1])
        changed = batch.finish()
        units |= changed
        index.executemany("INSERT OR IGNORE INTO unfinished VALUES (?)", [(unit,) for unit in changed])
        index.execute("UPDATE state SET seq = ?, hash = ?", (rows[-1][0], rows[-1][-1]))
    told(rows[-1][0])
    return True


def _state(index: sqlite3.Connection) -> tuple[int, int, str] | None:
    if index.execute("SELECT 1 FROM sqlite_schema WHERE name = 'state'").fetchone() is None:
        return None
    found: tuple[int, int, str] | None = index.execute("SELECT version, seq, hash FROM state").fetchone()
    return found


def _fits(state: tuple[int, int, str], ledger: sqlite3.Connection) -> bool:
    version, seq, hash_ = state
    if version != lookups_schema.VERSION:
        return False
    if seq == 0:
        return True
    found = ledger.execute("SELECT hash FROM ledger WHERE seq = ?", (seq,)).fetchone()
    return found is not None and found[0] == hash_


def _start_over(index: sqlite3.Connection) -> tuple[int, int, str]:
    tables = index.execute(
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    ).fetchall()
    for (name,) in tables:
        index.execute(f'DROP TABLE "{name}"')
    for statement in lookups_schema.SCHEMA.split(";"):
        index.execute(statement)
    state = (lookups_schema.VERSION, 0, chain.GENESIS)
    index.execute("INSERT INTO state VALUES (?, ?, ?)", state)
    return state


def _unfinished(index: sqlite3.Connection) -> set[str]:
    return {str(unit) for (unit,) in index.execute("SELECT unit FROM unfinished")}


@contextmanager
def _transaction(index: sqlite3.Connection) -> Iterator[None]:
    index.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        if index.in_transaction:
            index.execute("ROLLBACK")
        raise
    index.execute("COMMIT")
