from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from capture.commands.verify import command
from capture.errors import UsageError
from capture.record import Record, Verification, connection, verify
from tests.record.conftest import START, append


def tampered(folder: Path, *statements: str) -> Verification:
    """Change rows behind the program's back: with the triggers dropped and put back as they were."""
    db = sqlite3.connect(folder / connection.LEDGER, isolation_level=None)
    triggers = db.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
    for name, _ in triggers:
        db.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        db.execute(statement)
    for _, sql in triggers:
        db.execute(sql)
    db.close()
    return verify(folder)


def told(found: Verification) -> str:
    return "\n".join(str(fault) for fault in found.faults)


def test_a_sound_record_passes(folder: Path) -> None:
    steps: list[tuple[str, int, int]] = []
    found = verify(folder, progress=lambda *step: steps.append(step))
    assert found.ok
    assert (found.rows, found.media, found.head.seq) == (12, 4, 12)
    assert (found.faults, found.notices) == ((), ())
    assert ("rows", 12, 12) in steps
    assert steps[-1] == ("media", 4, 4)


def test_an_empty_record_passes(tmp_path: Path) -> None:
    Record.create(tmp_path / "r").close()
    assert verify(tmp_path / "r").ok


@pytest.mark.parametrize(
    "change",
    [
        "body = replace(body, 'number 5', 'number 6')",
        "body = body || ' '",
        "at = replace(at, '09:15', '09:16')",
        "mono = mono + 1e-9",
        "mono = -0.0",
        "mono = 1e999",
        "job = 'J-2'",
        "kind = 'note'",
        "session = 's2'",
        "id = replace(id, '-7', '-6')",
        "prev = replace(prev, substr(prev, 1, 1), 'g')",
        "hash = 'x' || substr(hash, 2)",
    ],
)
def test_a_changed_column_is_named_with_its_row(folder: Path, change: str) -> None:
    found = tampered(folder, f"UPDATE ledger SET {change} WHERE seq = 5")
    assert not found.ok
    assert "row 5 (id " in told(found)


def test_a_row_rewritten_with_a_fitting_hash_breaks_the_chain_after_it(folder: Path) -> None:
    with Record.open(folder, writing=False) as record:
        row = record.row(next(r.id for r in record.rows() if r.seq == 5))
    from capture.record.chain import canonical, row_hash

    body = canonical({**row.body, "words": "something else"})
    forged = row_hash(
        seq=5,
        id_=row.id,
        job=row.job,
        kind=row.kind,
        at=row.at,
        mono=row.mono,
        session=row.session,
        body=body,
        prev=row.prev,
    )
    found = tampered(folder, f"UPDATE ledger SET body = '{body}', hash = '{forged}' WHERE seq = 5")
    assert "row 6" in told(found)
    assert "chain is broken" in told(found)
    assert "when row 5" in told(found)


def test_a_missing_row_is_named(folder: Path) -> None:
    assert "row 5: missing" in told(tampered(folder, "DELETE FROM ledger WHERE seq = 5"))
    assert "rows 5 to 8: missing" in told(tampered(folder, "DELETE FROM ledger WHERE seq BETWEEN 5 AND 8"))


def test_rows_in_another_order_are_named(folder: Path) -> None:
    found = tampered(
        folder,
        "UPDATE ledger SET seq = 100 WHERE seq = 5",
        "UPDATE ledger SET seq = 5 WHERE seq = 6",
        "UPDATE ledger SET seq = 6 WHERE seq = 100",
    )
    assert all(f"row {seq} (id " in told(found) for seq in (5, 6))


@pytest.mark.parametrize("seq", ["0", "-3", "13", "20"])
def test_an_extra_row_is_named(folder: Path, seq: str) -> None:
    found = tampered(
        folder,
        f"INSERT INTO ledger SELECT {seq}, 'x', job, kind, at, mono, session, body, prev, hash FROM ledger"
        " WHERE seq = 5",
    )
    assert f"row {seq} " in told(found)


def test_the_same_id_twice_is_named(folder: Path) -> None:
    db = sqlite3.connect(folder / connection.LEDGER)
    db.execute("PRAGMA writable_schema = ON")
    db.close()
    found = tampered(folder, "UPDATE ledger SET id = (SELECT id FROM ledger WHERE seq = 3) || ' ' WHERE seq = 9")
    assert "row 9 (id " in told(found)


def test_rows_cut_off_at_the_end_are_seen(folder: Path) -> None:
    head = verify(folder).head
    found = tampered(folder, "DELETE FROM ledger WHERE seq > 10")
    assert "row 11 was stored with hash" in told(found)
    assert "row 12 was stored with hash" in told(found)
    (folder / "heads.txt").unlink()
    found = verify(folder)
    assert found.ok
    assert "heads.txt" in found.notices[0].where
    assert "cut off or rewritten" in told(verify(folder, head=head.hash))


def test_a_head_from_outside_may_be_older_short_or_spaced(folder: Path) -> None:
    old = verify(folder).head.hash
    with Record.open(folder) as record:
        append(record, 13)
    assert verify(folder, head=old).ok
    assert verify(folder, head=f"{old[:8]} {old[8:16].upper()}").ok
    assert not verify(folder, head="0" * 64).ok
    for wrong in ("", "xyz", old[:15], old + "0"):
        with pytest.raises(UsageError, match="64"):
            verify(folder, head=wrong)


def test_the_last_line_of_heads_torn_by_a_crash_is_no_fault(folder: Path) -> None:
    heads = folder / "heads.txt"
    heads.write_bytes(heads.read_bytes()[:-30])
    found = verify(folder)
    assert found.ok
    assert "row 12" in found.notices[0].where
    with Record.open(folder) as record:
        append(record, 13)
    found = verify(folder)
    assert told(found) == "heads.txt line 12: the line cannot be read; compare with a copy of the record"


def test_a_changed_line_of_heads_is_named(folder: Path) -> None:
    heads = folder / "heads.txt"
    lines = heads.read_text().splitlines(keepends=True)
    lines[3] = lines[3][:-2] + ("0" if lines[3][-2] != "0" else "1") + "\n"
    heads.write_text("".join(lines))
    assert "heads.txt line 4: when row 4" in told(verify(folder))


@pytest.mark.parametrize(
    ("statement", "named"),
    [
        ("DROP TRIGGER ledger_no_update", "trigger ledger_no_update is missing"),
        ("DROP VIEW reading", "view reading is missing"),
        ("CREATE TRIGGER more AFTER INSERT ON ledger BEGIN SELECT 1; END", "trigger more is not the program's"),
        ("CREATE TABLE more (x)", "table more is not the program's"),
        ("DROP INDEX ledger_job", "index ledger_job is missing"),
        ("PRAGMA application_id = 7", "application id is 7"),
        ("DROP TABLE _sqlite_migrations", "migrations"),
        (
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('benchwitness', '9', '')",
            "does not know (9)",
        ),
    ],
)
def test_a_changed_schema_is_named(folder: Path, statement: str, named: str) -> None:
    db = sqlite3.connect(folder / connection.LEDGER, isolation_level=None)
    db.execute(statement)
    db.close()
    assert named in told(verify(folder))


def test_a_trigger_made_toothless_is_named(folder: Path) -> None:
    db = sqlite3.connect(folder / connection.LEDGER, isolation_level=None)
    db.execute("DROP TRIGGER ledger_no_delete")
    db.execute("CREATE TRIGGER ledger_no_delete BEFORE DELETE ON ledger BEGIN SELECT 1; END")
    db.close()
    assert "trigger ledger_no_delete was changed" in told(verify(folder))


def _cut(content: bytes) -> bytes:
    return content[:-1]


def _grow(content: bytes) -> bytes:
    return content + b"\0"


@pytest.mark.parametrize(("change", "named"), [(_cut, "was cut to 1002 of 1003"), (_grow, "grew"), (None, "missing")])
def test_a_cut_grown_or_missing_file_is_named(
    folder: Path, change: Callable[[bytes], bytes] | None, named: str
) -> None:
    path = next(path for path in sorted((folder / "media").rglob("*")) if path.is_file())
    if change is None:
        path.unlink()
    else:
        path.write_bytes(change(path.read_bytes()))
    (fault,) = verify(folder).faults
    assert fault.where == path.relative_to(folder).as_posix()
    assert named in fault.what
    assert "clip of row" in fault.what


def test_one_flipped_bit_in_any_file_is_named(folder: Path) -> None:
    for path in sorted((folder / "media").rglob("*")):
        if path.is_dir():
            continue
        good = path.read_bytes()
        for position in (0, 1, len(good) // 2, len(good) - 1):
            bad = bytearray(good)
            bad[position] ^= 1 << (position % 8)
            path.write_bytes(bad)
            (fault,) = verify(folder).faults
            assert fault.where == path.relative_to(folder).as_posix()
            assert "changed" in fault.what
        path.write_bytes(good)
    assert verify(folder).ok


def test_a_file_that_no_row_points_to_is_a_notice(folder: Path) -> None:
    with Record.open(folder) as record:
        ref = record.put_media(b"written before a crash", "clip", "audio/wav")
    (folder / "media" / "zz").mkdir()
    (folder / "media" / "zz" / ".incoming-12").write_bytes(b"half")
    found = verify(folder)
    assert found.ok
    assert [notice.where for notice in found.notices] == [
        f"media/{ref.sha256[:2]}/{ref.sha256}",
        "media/zz/.incoming-12",
    ]


def test_a_clock_that_ran_back_is_a_notice(folder: Path) -> None:
    with Record.open(folder) as record:
        append(record, 5)
        record.append(job="J-2", kind="note", body={}, at=START, mono=0, session="another")
    found = verify(folder)
    assert found.ok
    assert [("row 13" in n.where, "ran back" in n.what) for n in found.notices] == [(True, True)] * 2


def test_one_flipped_bit_in_any_text_of_a_row_is_named_with_the_row(folder: Path) -> None:
    """By editing the database file itself: ids, hashes, times, bodies, wherever they lie."""
    ledger = folder / connection.LEDGER
    good = ledger.read_bytes()
    with Record.open(folder, writing=False) as record:
        rows = {
            row.seq: (row, record._fetch("SELECT body FROM ledger WHERE seq = ?", (row.seq,))[0][0])
            for row in record.rows()
        }
    for seq, (row, body) in rows.items():
        start = good.index(body.encode())
        before = good.rindex(row.id.encode(), 0, start)
        end = good.index(row.hash.encode(), start) + 64
        for position in range(before, end, 41):
            bad = bytearray(good)
            bad[position] ^= 1 << (position % 7)
            ledger.write_bytes(bad)
            found = verify(folder)
            assert f"row {seq} (id" in told(found), (seq, position - before, told(found))
    ledger.write_bytes(good)
    assert verify(folder).ok


def test_no_flipped_bit_in_the_pages_of_the_ledger_and_its_indexes_goes_unseen(folder: Path) -> None:
    """Every 211th byte of the file, also its header, schema and indexes: nothing may be raised, only found. On the
    pages of the ledger and its indexes only unused space, which is zero, may go unseen."""
    ledger = folder / connection.LEDGER
    good = ledger.read_bytes()
    db = sqlite3.connect(ledger)
    try:
        pages = {page for (page,) in db.execute("SELECT pageno FROM dbstat WHERE name LIKE '%ledger%'")}
    except sqlite3.OperationalError:
        pytest.skip("this SQLite cannot tell which pages belong to what")
    finally:
        db.close()
    unseen = []
    for position in range(7, len(good), 211):
        bad = bytearray(good)
        bad[position] ^= 1 << (position % 8)
        ledger.write_bytes(bad)
        if verify(folder).ok and good[position] and position // 4096 + 1 in pages:
            unseen.append(position)
    assert unseen == []
    assert len(pages) >= 4


def test_a_log_damaged_after_a_crash_shows_the_rows_it_lost(folder: Path, tmp_path: Path) -> None:
    """SQLite drops what follows damage in its log without a word; heads.txt knows better."""
    with Record.open(folder) as record:
        for number in range(13, 20):
            append(record, number)
        copy = shutil.copytree(folder, tmp_path / "as after a crash", ignore=shutil.ignore_patterns("*-shm"))
    assert verify(copy).rows == 19
    log = copy / f"{connection.LEDGER}-wal"
    damaged = bytearray(log.read_bytes())
    damaged[len(damaged) // 2] ^= 1
    log.write_bytes(damaged)
    found = verify(copy)
    assert "row 19 was stored with hash" in told(found)


def test_a_file_that_is_no_database_is_named(folder: Path) -> None:
    (folder / connection.LEDGER).write_bytes(b"not a database at all, but long enough to have a header" * 40)
    found = verify(folder)
    assert "cannot be read as a ledger" in told(found)
    assert "row 12 was stored" in told(found)


def test_damaged_pages_do_not_hide_the_other_rows(tmp_path: Path) -> None:
    with Record.create(tmp_path / "r") as record:
        for number in range(1, 60):
            append(record, number, words="word " * 150)
    ledger = tmp_path / "r" / connection.LEDGER
    content = bytearray(ledger.read_bytes())
    at = content.index(b"effort number 30" if b"effort number 30" in content else b"word word")
    page = at // 4096 * 4096
    content[page : page + 4096] = b"\xa5" * 4096
    ledger.write_bytes(content)
    found = verify(tmp_path / "r")
    assert not found.ok
    assert found.rows >= 40
    assert "cannot be read" in told(found)


def test_the_command_tells_and_leaves_with_three(folder: Path) -> None:
    run = CliRunner().invoke(command, [str(folder)], standalone_mode=False)
    assert run.exception is None
    assert (run.return_value or 0) == 0
    assert "12 rows" in run.stdout
    assert verify(folder).head.hash in run.stdout
    next(path for path in (folder / "media").rglob("*") if path.is_file()).write_bytes(b"other")
    run = CliRunner().invoke(command, ["--json", str(folder)], standalone_mode=False)
    assert run.return_value == 3
    assert '"ok": false' in run.stdout


def test_lines_of_heads_in_another_order_are_looked_up(folder: Path) -> None:
    heads = folder / "heads.txt"
    lines = heads.read_text().splitlines(keepends=True)
    heads.write_text("".join([*lines[6:], *lines[:2], *lines[3:6]]))
    found = verify(folder)
    assert found.ok
    assert [notice.where for notice in found.notices] == ["row 3"]
    heads.write_text("".join(lines[4:8]))
    assert [notice.where for notice in verify(folder).notices] == ["rows 1 to 4", "rows 9 to 12"]
    wrong = lines[2].replace(lines[2][:6], lines[2][:2] + "0000")
    heads.write_text("".join([*lines[6:], wrong, *lines[:2], *lines[3:6], "77 " + "ab" * 32 + "\n"]))
    said = told(verify(folder))
    assert "heads.txt line 7: when row 3" in said
    assert "row 77 was stored" in said


def test_missing_lines_are_made_up_for_at_the_next_opening(folder: Path) -> None:
    heads = folder / "heads.txt"
    lines = heads.read_text().splitlines(keepends=True)
    for kept in ([], lines[:4], lines[5:], [*lines[6:], *lines[:3]], [*lines[:5], "5 torn"]):
        heads.write_text("".join(kept))
        Record.open(folder).close()
        assert verify(folder).notices == ()
        assert sorted(line for line in heads.read_text().splitlines(keepends=True) if "torn" not in line) == sorted(
            lines
        )


def test_more_faults_than_can_be_read_are_counted(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from importlib import import_module

    monkeypatch.setattr(import_module("capture.record.verify"), "MOST", 5)
    found = tampered(folder, "UPDATE ledger SET kind = 'x'")
    assert len(found.faults) == 6
    assert found.faults[-1].what.endswith("more like these")
    assert not found.ok


def test_one_id_on_two_rows_is_named_even_without_the_ledgers_index(folder: Path) -> None:
    db = sqlite3.connect(folder / connection.LEDGER, isolation_level=None)
    (sql,) = db.execute("SELECT sql FROM sqlite_schema WHERE name = 'ledger'").fetchone()
    db.execute("ALTER TABLE ledger RENAME TO old")
    db.execute(sql.replace("TEXT NOT NULL UNIQUE", "TEXT NOT NULL"))
    db.execute("INSERT INTO ledger SELECT * FROM old")
    db.execute("UPDATE ledger SET id = (SELECT id FROM ledger WHERE seq = 3) WHERE seq = 9")
    db.close()
    assert "its id is also that of row 3" in told(verify(folder))


@pytest.mark.parametrize(
    "media",
    [
        '[{"kind":"clip","media_type":"audio/wav","sha256":"../../x","size":1}]',
        '[{"kind":"clip","media_type":"audio/wav","sha256":"%s","size":true}]' % ("a" * 64),
        '[{"kind":"clip","media_type":"audio/wav","sha256":"%s","size":-1}]' % ("a" * 64),
        '[{"kind":"clip","media_type":7,"sha256":"%s","size":1}]' % ("a" * 64),
        '[{"kind":"\\ud800","media_type":"x","sha256":"%s","size":1}]' % ("a" * 64),
        '"none"',
        "7",
    ],
)
def test_references_of_no_sense_are_named(folder: Path, media: str) -> None:
    found = tampered(folder, f"""UPDATE ledger SET body = '{{"media":{media}}}' WHERE seq = 5""")
    assert "row 5 (id" in told(found)
    assert "is not what the program writes" in told(found)
