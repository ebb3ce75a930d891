from __future__ import annotations

import math
import os
import sqlite3
import threading
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
import sqlite_utils

from capture.errors import EnvironmentFault, UsageError
from capture.record import MediaRef, Record, connection, schema, verify
from tests.record.conftest import START, append


def test_a_row_comes_back_as_it_went_in(record: Record) -> None:
    clip = record.put_media(b"sound", "clip", "audio/wav")
    body = {"kind": "reading", "words": "üß ⅓ \x00 end", "data": {"value": "1.10", "big": 1e20, "n": [1, None, True]}}
    row = record.append(job="J", kind="reading", body=body, at=START, mono=2.5, session="s", media=[clip])
    assert list(record.rows()) == [row]
    assert record.row(row.id) == row
    assert row.body == {**body, "media": [clip.to_body()]}
    assert row.media == (clip,)
    assert (row.seq, row.at, row.when, row.mono) == (1, "2031-05-06T09:15:00.000+00:00", START, 2.5)
    assert UUID(row.id).version == 7
    assert (record.head().seq, record.head().hash) == (1, row.hash)


def test_rows_of_one_job_and_beyond_one_page(record: Record) -> None:
    for number in range(1203):
        record.append(job=f"J{number % 2}", kind="note", body={}, at=START, mono=0, session="s")
    assert [row.seq for row in record.rows("J1")] == list(range(2, 1204, 2))
    assert [row.seq for row in record.rows()] == list(range(1, 1204))
    assert list(record.rows("J9")) == []


@pytest.mark.parametrize(
    "change",
    [
        {"body": {"media": []}},
        {"body": {"x": math.nan}},
        {"body": {"x": 2**60}},
        {"body": {"x": {1, 2}}},
        {"body": {"x": "\ud800"}},
        {"job": ""},
        {"kind": None},
        {"session": ""},
        {"at": datetime(2031, 5, 6)},
        {"at": "yesterday"},
        {"mono": -0.5},
        {"mono": math.nan},
        {"media": [MediaRef("0" * 64, 3, "audio/wav", "clip")]},
        {"media": [MediaRef("../../etc/passwd", 3, "audio/wav", "clip")]},
    ],
)
def test_what_cannot_be_a_row_is_refused_and_leaves_nothing(record: Record, change: dict[str, Any]) -> None:
    good: dict[str, Any] = {"job": "J", "kind": "note", "body": {}, "at": START, "mono": 0.0, "session": "s"}
    with pytest.raises(UsageError, match=r"\."):
        record.append(**{**good, **change})
    assert list(record.rows()) == []


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE ledger SET body = '{}' WHERE seq = 3",
        "UPDATE OR REPLACE ledger SET id = (SELECT id FROM ledger WHERE seq = 4) WHERE seq = 3",
        "UPDATE ledger SET seq = 40 WHERE seq = 12",
        "DELETE FROM ledger WHERE seq = 12",
        "DELETE FROM ledger",
        "REPLACE INTO ledger SELECT * FROM ledger WHERE seq = 3",
        "INSERT OR REPLACE INTO ledger SELECT seq, id, job, 'note', at, mono, session, body, prev, hash"
        " FROM ledger WHERE seq = 12",
        "INSERT OR REPLACE INTO ledger SELECT 13, id, job, kind, at, mono, session, body, hash, hash"
        " FROM ledger WHERE seq = 12",
        "INSERT OR IGNORE INTO ledger SELECT seq + 5, 'x', job, kind, at, mono, session, body, hash, hash"
        " FROM ledger WHERE seq = 12",
        "INSERT INTO ledger SELECT NULL, 'x', job, kind, at, mono, session, body, hash, hash FROM ledger"
        " WHERE seq = 12",
        "INSERT INTO ledger SELECT 13, 'x', job, kind, at, mono, session, body, prev, hash FROM ledger WHERE seq = 12",
        "INSERT INTO ledger SELECT * FROM ledger WHERE seq = 12 ON CONFLICT DO UPDATE SET job = 'other'",
    ],
)
@pytest.mark.parametrize("recursive", ["ON", "OFF"])
def test_the_database_itself_refuses_to_change_a_row(folder: Path, statement: str, recursive: str) -> None:
    """Also for a program that knows nothing of this one, with SQLite's own default settings."""
    db = sqlite3.connect(folder / connection.LEDGER)
    before = db.execute("SELECT * FROM ledger").fetchall()
    db.execute(f"PRAGMA recursive_triggers = {recursive}")
    with pytest.raises(sqlite3.DatabaseError, match=r"ledger|chain"):
        db.execute(statement)
    db.commit()
    assert db.execute("SELECT * FROM ledger").fetchall() == before
    db.close()
    assert verify(folder).ok


def test_settings_are_those_that_keep_what_was_acknowledged(record: Record) -> None:
    conn = record._db.conn
    assert conn.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert conn.execute("PRAGMA synchronous").fetchone() == (2,)
    assert conn.execute("PRAGMA foreign_keys").fetchone() == (1,)
    applied = [name for (name,) in conn.execute("SELECT name FROM _sqlite_migrations ORDER BY rowid")]
    assert applied == ["0001_ledger", "0002_views", "0003_reopened_jobs"]


def test_opening_again_applies_no_migration_twice(folder: Path) -> None:
    for _ in range(2):
        with Record.open(folder) as record:
            append(record, 99)
    verification = verify(folder)
    assert (verification.faults, verification.notices, verification.rows) == ((), (), 14)


def test_a_reader_sees_whole_rows_while_another_writes(folder: Path) -> None:
    with Record.open(folder) as writer, Record.open(folder, writing=False) as reader:
        seen = reader.rows()
        next(seen)
        append(writer, 13)
        assert [row.seq for row in seen] == list(range(2, 13))
        assert reader.head().seq == 13
        with pytest.raises(UsageError, match="reading only"):
            append(reader, 14)
        with pytest.raises(UsageError, match="reading only"):
            reader.put_media(b"", "clip", "audio/wav")
    assert verify(folder).ok


def test_reading_leaves_the_folder_as_it_was(folder: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    with Record.open(folder, writing=False) as reader:
        assert len(list(reader.rows())) == 12
    assert verify(folder).ok
    after = {path: path.stat().st_mtime_ns for path in folder.rglob("*") if not path.name.endswith(("-wal", "-shm"))}
    assert after == before


def test_two_records_and_eight_threads_make_one_chain(folder: Path) -> None:
    with Record.open(folder) as one, Record.open(folder) as two:
        threads = [
            threading.Thread(target=lambda which=which: [append(which, n) for n in range(20)])
            for which in (one, two) * 4
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    found = verify(folder)
    assert found.faults == ()
    assert found.rows == 12 + 160


def test_create_refuses_a_record_and_a_folder_with_other_things(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="already"):
        Record.create(folder)
    with pytest.raises(UsageError, match="not empty"):
        Record.create(tmp_path)
    (tmp_path / "file").write_text("")
    with pytest.raises(EnvironmentFault, match="file, not a folder"):
        Record.create(tmp_path / "file" / "record")


def test_open_refuses_what_is_no_record(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no record here"):
        Record.open(tmp_path)
    other = sqlite3.connect(tmp_path / connection.LEDGER)
    other.execute("CREATE TABLE t (x)")
    other.commit()
    other.close()
    before = (tmp_path / connection.LEDGER).read_bytes()
    with pytest.raises(UsageError, match="not a ledger"):
        Record.open(tmp_path)
    assert (tmp_path / connection.LEDGER).read_bytes() == before


def test_a_ledger_of_a_newer_version_is_refused(folder: Path) -> None:
    db = sqlite3.connect(folder / connection.LEDGER)
    db.execute(
        "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('benchwitness', '9999_new', '')"
    )
    db.commit()
    db.close()
    with pytest.raises(UsageError, match="9999_new"):
        Record.open(folder)


def test_views_can_be_read_by_any_sqlite_tool(record: Record) -> None:
    opened = {
        "data": {
            "procedure": {"id": "dv", "name": "Demand valve", "version": "1"},
            "technician": "A. B.",
            "reference": "R7",
        }
    }
    record.append(job="J-1", kind="opened", body=opened, at=START, mono=0, session="s1")
    identity = {"status": "accepted", "data": {"field": "serial", "value": "K7-04"}}
    record.append(job="J-1", kind="identity", body=identity, at=START, mono=0, session="s1")
    clip = record.put_media(b"sound", "clip", "audio/wav")
    verdict = {"outcome": "fail", "low": "125", "high": "145", "unit": "psi", "rule": "r", "source": "s"}
    warned = {"id": "out_of_limits", "severity": "stop", "sentence": "Too high.", "todo": "Adjust."}
    data = {"field": "supply", "value": "150", "unit": "psi", "amount": "150", "via": "voice"}
    first = append(record, 1, media=(clip,), stage="tuning", data=data, verdict=verdict, warnings=[warned])
    second = append(record, 2, stage="tuning", data={**data, "value": "135"}, replaces=first.id)
    db = sqlite3.connect(record.folder / connection.LEDGER)
    db.row_factory = sqlite3.Row
    readings = [dict(row) for row in db.execute("SELECT * FROM reading")]
    assert [(r["value"], r["verdict"], r["replaces"], r["replaced_by"]) for r in readings] == [
        ("150", "fail", None, second.id),
        ("135", None, first.id, None),
    ]
    assert [tuple(row) for row in db.execute("SELECT entry, warning, severity, sentence, todo FROM warning")] == [
        (first.id, "out_of_limits", "stop", "Too high.", "Adjust.")
    ]
    medium = dict(db.execute("SELECT * FROM medium").fetchone())
    assert (record.folder / medium["path"]).read_bytes() == b"sound"
    (job,) = record.jobs()
    assert (job.procedure, job.technician, job.reference, job.unit) == ("dv", "A. B.", "R7", "K7-04")
    assert (job.rows, job.readings, job.warnings, job.ended) == (4, 2, 1, False)
    db.close()


def test_a_locked_ledger_is_told_plainly(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "BUSY_SECONDS", 0.05)
    with Record.open(folder) as record:
        other = sqlite3.connect(folder / connection.LEDGER)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(EnvironmentFault, match="locked"):
            append(record, 13)
        other.rollback()
        other.close()
        assert append(record, 13).seq == 13


def test_a_full_ledger_is_told_plainly_and_goes_on_when_there_is_room(folder: Path) -> None:
    with Record.open(folder) as record:
        conn = record._db.conn
        (pages,) = conn.execute("PRAGMA page_count").fetchone()
        conn.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(EnvironmentFault, match="full"):
            append(record, 13, words="x" * 40_000)
        conn.execute("PRAGMA max_page_count = 100000")
        assert append(record, 13, words="x" * 40_000).seq == 13
    assert verify(folder).ok


def test_a_read_only_ledger_is_told_plainly(folder: Path) -> None:
    with Record.open(folder) as record:
        record._db.conn.execute("PRAGMA query_only = ON")
        with pytest.raises(EnvironmentFault, match="read-only"):
            append(record, 13)


@pytest.mark.skipif(not Path("/dev/full").exists() or os.name == "nt", reason="needs a device that is always full")
def test_a_full_disk_while_a_clip_is_written_is_told_plainly(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = Path.open

    def to_full(self: Path, mode: str = "r", *args: Any, **kwargs: Any) -> Any:
        return real(Path("/dev/full"), "wb") if mode == "xb" else real(self, mode, *args, **kwargs)

    with Record.open(folder) as record:
        monkeypatch.setattr(Path, "open", to_full)
        with pytest.raises(EnvironmentFault, match="disk is full"):
            record.put_media(b"x" * 100_000, "clip", "audio/wav")
        monkeypatch.undo()
        record.put_media(b"x" * 100_000, "clip", "audio/wav")
    assert len(verify(folder).notices) == 1


def test_a_folder_that_cannot_be_written_is_still_read(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite cannot make its shared-memory file there; with no log waiting the ledger is read as it stands."""
    real = connection._reading

    def refusing(where: Path, how: str) -> Any:
        if "immutable" not in how:
            raise sqlite3.OperationalError("unable to open database file")
        return real(where, how)

    monkeypatch.setattr(connection, "_reading", refusing)
    with Record.open(folder, writing=False) as record:
        assert record.head().seq == 12


def test_a_row_counts_as_stored_even_when_its_line_in_heads_cannot_be_written(folder: Path) -> None:
    (folder / "heads.txt").rename(folder / "aside")
    (folder / "heads.txt").mkdir()
    with pytest.raises(EnvironmentFault), Record.open(folder) as record:
        pass
    (folder / "heads.txt").rmdir()
    with Record.open(folder) as record:
        (folder / "heads.txt").rename(folder / "aside")
        (folder / "heads.txt").mkdir()
        assert append(record, 13).seq == 13
    (folder / "heads.txt").rmdir()
    (folder / "aside").rename(folder / "heads.txt")
    assert [notice.where for notice in verify(folder).notices] == ["row 13"]
    Record.open(folder).close()
    found = verify(folder)
    assert (found.faults, found.notices) == ((), ())


def test_zero_bytes_that_a_power_cut_leaves_in_heads_are_no_fault(folder: Path) -> None:
    heads = folder / "heads.txt"
    heads.write_bytes(heads.read_bytes() + b"\0" * 60)
    with Record.open(folder) as record:
        append(record, 13)
    assert verify(folder).ok


def test_an_older_ledger_is_read_and_verified_as_it_is_and_brought_up_to_date_when_written(tmp_path: Path) -> None:
    """As it was before the third migration."""
    older = tmp_path / "older"
    older.mkdir()
    (older / "media").mkdir()
    db = sqlite_utils.Database(older / connection.LEDGER, execute_plugins=False)
    schema._registered(["0001_ledger", "0002_views"]).apply(db)
    db.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
    db.close()
    assert verify(older).ok
    with Record.open(older, writing=False) as record:
        assert record.jobs() == []
    with Record.open(older) as record:
        for kind in ("opened", "job_end", "reopened", "job_end", "reopened"):
            record.append(job="J", kind=kind, body={}, at=START, mono=0, session="s")
        assert not record.jobs()[0].ended
        record.append(job="J", kind="job_end", body={}, at=START, mono=0, session="s")
        assert record.jobs()[0].ended
    assert verify(older).ok
