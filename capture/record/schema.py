"""The ledger's tables, triggers and views, as numbered migrations.

Every migration is recorded in ``_sqlite_migrations`` and never edited afterwards: a change is a new one at the end.
The triggers refuse any UPDATE and DELETE, and any INSERT that is not the next row of the chain, which also covers
INSERT OR REPLACE.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import TYPE_CHECKING

from capture.errors import EnvironmentFault, UsageError
from capture.record.chain import GENESIS

if TYPE_CHECKING:
    from sqlite_utils import Database
    from sqlite_utils.migrations import Migrations

APPLICATION_ID = 0x42574C31
"""SQLite's application id of a ledger: the letters BWL1."""

_LEDGER = f"""
CREATE TABLE ledger (
  seq INTEGER PRIMARY KEY,
  id TEXT NOT NULL UNIQUE,
  job TEXT NOT NULL,
  kind TEXT NOT NULL,
  at TEXT NOT NULL,
  mono REAL NOT NULL,
  session TEXT NOT NULL,
  body TEXT NOT NULL CHECK (json_valid(body)),
  prev TEXT NOT NULL,
  hash TEXT NOT NULL
) STRICT;

CREATE INDEX ledger_job ON ledger (job, seq);
CREATE INDEX ledger_replaces ON ledger (json_extract(body, '$.replaces'));

CREATE TRIGGER ledger_no_update BEFORE UPDATE ON ledger
BEGIN SELECT RAISE(ABORT, 'rows of the ledger are never changed; append a correction'); END;

CREATE TRIGGER ledger_no_delete BEFORE DELETE ON ledger
BEGIN SELECT RAISE(ABORT, 'rows of the ledger are never deleted; append a correction'); END;

CREATE TRIGGER ledger_in_order BEFORE INSERT ON ledger
WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM ledger)
  OR NEW.prev IS NOT (SELECT coalesce((SELECT hash FROM ledger ORDER BY seq DESC LIMIT 1), '{GENESIS}'))
  OR EXISTS (SELECT 1 FROM ledger WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'only the next row of the chain can be appended'); END;
"""

_JOB_VIEW = """
CREATE VIEW job AS
WITH span AS (
  SELECT
    job, min(seq) AS first_seq, max(seq) AS last_seq, max(kind = 'job_end') AS ended, count(*) AS rows,
    sum(kind = 'reading') AS readings,
    sum(coalesce(json_array_length(body, '$.warnings'), 0)) AS warnings,
    min(CASE WHEN kind = 'opened' THEN seq END) AS opened_seq
  FROM ledger GROUP BY job
)
SELECT
  span.job,
  json_extract(o.body, '$.data.procedure.id') AS procedure,
  json_extract(o.body, '$.data.procedure.name') AS procedure_name,
  json_extract(o.body, '$.data.procedure.version') AS procedure_version,
  json_extract(o.body, '$.data.technician') AS technician,
  json_extract(o.body, '$.data.reference') AS reference,
  json_extract(o.body, '$.data.workshop') AS workshop,
  (SELECT group_concat(json_extract(i.body, '$.data.value'), ' ') FROM ledger AS i
   WHERE i.job = span.job AND i.kind = 'identity' AND json_extract(i.body, '$.status') <> 'not_accepted'
     AND NOT EXISTS (SELECT 1 FROM ledger AS n WHERE n.job = i.job AND json_extract(n.body, '$.replaces') = i.id)
  ) AS unit,
  f.at AS opened, l.at AS last, span.ended, span.rows, span.readings, span.warnings, span.first_seq
FROM span
JOIN ledger AS f ON f.seq = span.first_seq
JOIN ledger AS l ON l.seq = span.last_seq
LEFT JOIN ledger AS o ON o.seq = span.opened_seq
ORDER BY span.first_seq;
"""

_ENDED = """
  coalesce((SELECT e.kind = 'job_end' FROM ledger AS e WHERE e.job = span.job AND e.kind IN ('job_end', 'reopened')
   ORDER BY e.seq DESC LIMIT 1), 0) AS ended"""
"""A job that was opened again after its end is not ended."""

_READING_VIEW = """
CREATE VIEW reading AS
SELECT
  seq, id, job, at,
  json_extract(body, '$.stage') AS stage,
  json_extract(body, '$.data.field') AS field,
  json_extract(body, '$.data.value') AS value,
  json_extract(body, '$.data.unit') AS unit,
  json_extract(body, '$.data.amount') AS amount,
  json_extract(body, '$.data.default_unit') AS default_unit,
  json_extract(body, '$.data.expanded') AS expanded,
  json_extract(body, '$.verdict.outcome') AS verdict,
  json_extract(body, '$.verdict.low') AS low,
  json_extract(body, '$.verdict.high') AS high,
  json_extract(body, '$.verdict.unit') AS limit_unit,
  json_extract(body, '$.verdict.rule') AS rule,
  json_extract(body, '$.verdict.source') AS limit_source,
  json_extract(body, '$.status') AS status,
  json_extract(body, '$.data.via') AS via,
  json_extract(body, '$.data.instrument') AS instrument,
  json_extract(body, '$.words') AS words,
  json_extract(body, '$.replaces') AS replaces,
  (SELECT n.id FROM ledger AS n WHERE json_extract(n.body, '$.replaces') = ledger.id AND n.job = ledger.job
   ORDER BY n.seq LIMIT 1) AS replaced_by
FROM ledger WHERE kind = 'reading' ORDER BY seq;
"""

_WARNING_VIEW = """
CREATE VIEW warning AS
SELECT
  ledger.seq, ledger.id AS entry, ledger.job, ledger.at, ledger.kind,
  json_extract(ledger.body, '$.stage') AS stage,
  json_extract(ledger.body, '$.subject') AS subject,
  json_extract(w.value, '$.id') AS warning,
  json_extract(w.value, '$.severity') AS severity,
  json_extract(w.value, '$.sentence') AS sentence,
  json_extract(w.value, '$.todo') AS todo
FROM ledger, json_each(ledger.body, '$.warnings') AS w ORDER BY ledger.seq, w.key;
"""

_MEDIUM_VIEW = """
CREATE VIEW medium AS
SELECT
  ledger.seq, ledger.id AS entry, ledger.job, ledger.at, ledger.kind AS entry_kind,
  json_extract(m.value, '$.kind') AS kind,
  json_extract(m.value, '$.media_type') AS media_type,
  json_extract(m.value, '$.size') AS size,
  json_extract(m.value, '$.sha256') AS sha256,
  'media/' || substr(json_extract(m.value, '$.sha256'), 1, 2) || '/' || json_extract(m.value, '$.sha256') AS path
FROM ledger, json_each(ledger.body, '$.media') AS m ORDER BY ledger.seq, m.key;
"""

VIEWS = ("job", "reading", "warning", "medium")

_MIGRATIONS: Mapping[str, str] = {
    "0001_ledger": _LEDGER,
    "0002_views": _JOB_VIEW + _READING_VIEW + _WARNING_VIEW + _MEDIUM_VIEW,
    "0003_reopened_jobs": "DROP VIEW job;" + _JOB_VIEW.replace("span.ended", _ENDED),
}
"""Name: script, in the order in which they are applied."""

SET = "benchwitness"


def migrate(db: Database) -> None:
    """Bring a ledger to the newest schema; what it already has is left alone.

    Raises:
        UsageError: the database is something else, or was made by a newer version of the program.
        EnvironmentFault: SQLite is too old.
    """
    if sqlite3.sqlite_version_info < (3, 38):
        raise EnvironmentFault(f"SQLite {sqlite3.sqlite_version} is too old; use a Python with SQLite 3.38 or newer.")
    unknown = sorted(applied(db) - _MIGRATIONS.keys())
    if unknown:
        raise UsageError(
            f"The ledger was written by a newer version of this program (it has {', '.join(unknown)}); update it."
        )
    _registered(_MIGRATIONS).apply(db)


def mark_as_ours(connection: sqlite3.Connection) -> None:
    """Say in the file what it is, before anything else is written: so that one whose making broke off is known."""
    (number,) = connection.execute("PRAGMA application_id").fetchone()
    if number != APPLICATION_ID:
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")


def applied(db: Database) -> frozenset[str]:
    """The names of the migrations that a ledger has had."""
    return frozenset(migration.name for migration in _registered(()).applied(db))


@cache
def expected_schema(names: frozenset[str]) -> dict[tuple[str, str], str | None]:
    """What ``sqlite_schema`` must hold after these migrations: (type, name) to SQL."""
    from sqlite_utils import Database

    db = Database(memory=True, execute_plugins=False)
    try:
        _registered([name for name in _MIGRATIONS if name in names]).apply(db)
        return actual_schema(db.conn)
    finally:
        db.close()


def actual_schema(connection: sqlite3.Connection) -> dict[tuple[str, str], str | None]:
    """What ``sqlite_schema`` does hold, without the list of migrations and SQLite's own statistics."""
    rows = connection.execute(
        "SELECT type, name, sql FROM sqlite_schema WHERE tbl_name <> ? AND name NOT LIKE 'sqlite_stat%'",
        (_registered(()).migrations_table,),
    )
    return {(kind, name): sql for kind, name, sql in rows}


def check_is_ours(connection: sqlite3.Connection) -> None:
    """Raise a UsageError when the database holds something else than a ledger (an empty one is fine)."""
    (number,) = connection.execute("PRAGMA application_id").fetchone()
    (objects,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if number not in (0, APPLICATION_ID) or (number == 0 and objects and not _has_ledger(connection)):
        raise UsageError("The database is not a ledger of this program; name the record's folder.")


def _has_ledger(connection: sqlite3.Connection) -> bool:
    return connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'ledger'").fetchone() is not None


def _registered(names: Iterable[str]) -> Migrations:
    from sqlite_utils.migrations import Migrations

    migrations = Migrations(SET)
    for name in names:
        migrations(name=name)(_runner(_MIGRATIONS[name]))
    return migrations


def _runner(script: str) -> Callable[[Database], None]:
    def run(db: Database) -> None:
        db.executescript(script)

    return run


def up_to(names: frozenset[str]) -> frozenset[str]:
    """All migrations up to the last known one of ``names``, since they are applied in order; all when it knows none."""
    order = list(_MIGRATIONS)
    last = max((order.index(name) for name in names if name in _MIGRATIONS), default=len(order) - 1)
    return frozenset(order[: last + 1])


def known() -> frozenset[str]:
    """The names of all migrations of this version."""
    return frozenset(_MIGRATIONS)
