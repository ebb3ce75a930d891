"""What makes a verification quick checks no less than going through everything row by row."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from capture.record import Record, connection, verify
from capture.record.check_heads import HeadsWalk
from capture.record.check_page import COLUMNS, look
from capture.record.heads import HeadLine, Lines
from capture.record.rows import Verification
from capture.record.spread import Spread
from tests.record.conftest import START, append
from tests.record.test_verify import tampered

check_rows, verifying = import_module("capture.record.check_rows"), import_module("capture.record.verify")

CHANGES = (
    [],
    ["UPDATE ledger SET body = replace(body, 'number 5', 'number 6') WHERE seq = 5"],
    ["UPDATE ledger SET mono = mono + 1e-9 WHERE seq = 6"],
    ["UPDATE ledger SET hash = 'x' || substr(hash, 2) WHERE seq = 1"],
    ["UPDATE ledger SET prev = replace(prev, substr(prev, 1, 1), 'g') WHERE seq = 7"],
    ["DELETE FROM ledger WHERE seq BETWEEN 5 AND 8"],
    ["DELETE FROM ledger WHERE seq = 1"],
    ["DELETE FROM ledger WHERE seq > 10"],
    ["UPDATE ledger SET seq = 100 WHERE seq = 5", "UPDATE ledger SET seq = 5 WHERE seq = 6"],
    ["INSERT INTO ledger SELECT -3, 'x', job, kind, at, mono, session, body, prev, hash FROM ledger WHERE seq = 5"],
    ["INSERT INTO ledger SELECT 20, 'x', job, kind, at, mono, session, body, prev, hash FROM ledger WHERE seq = 5"],
)


def rows_of(folder: Path) -> list[tuple[Any, ...]]:
    db = sqlite3.connect(folder / connection.LEDGER)
    db.text_factory = bytes
    rows = db.execute(f"SELECT {', '.join(COLUMNS)} FROM ledger ORDER BY seq").fetchall()
    db.close()
    return rows


def sorted_findings(found: Verification) -> tuple[Any, ...]:
    return (found.rows, found.media, found.head, sorted(map(str, found.faults)), sorted(map(str, found.notices)))


def test_the_quick_look_takes_a_sound_page_for_sound(folder: Path) -> None:
    rows = rows_of(folder)
    whole, part = look(rows), look(rows[3:7])
    assert whole is not None
    assert part is not None
    assert (whole.first, whole.last, whole.hash, len(whole.remarks.refs)) == (1, 12, rows[-1][9].decode(), 4)
    assert (part.first, part.last, part.prev) == (4, 7, rows[2][9].decode())
    assert whole.lines == (folder / "heads.txt").read_bytes()


def test_one_flipped_bit_anywhere_in_a_row_is_not_overlooked_by_the_quick_look(folder: Path) -> None:
    rows = rows_of(folder)[4:8]
    assert look(rows) is not None
    tried = 0
    for place, column in enumerate(COLUMNS):
        good = rows[2][place]
        for bad in _flipped(good):
            tried += 1
            changed = [*rows[:2], (*rows[2][:place], bad, *rows[2][place + 1 :]), rows[3]]
            assert look(changed) is None, (column, bad)
    assert tried > 300


def _flipped(good: Any) -> list[Any]:
    if isinstance(good, bytes):
        return [bytes([*good[:at], good[at] ^ 1 << at % 8, *good[at + 1 :]]) for at in range(len(good))]
    return [good + 1, -good, None, "7"] if isinstance(good, int) else [good + 1e-9, -good, float("inf"), None, 7]


@pytest.mark.parametrize(
    "body",
    [
        '{"b":1,"a":2,"media":[]}',
        '{"media": []}',
        '{"media":[],"a":1.0}',
        '{"media":[],"a":"\\u0041"}',
        '{"media":[{"kind":"clip","media_type":"x","sha256":"../..","size":1}]}',
        '{"media":null}',
        '{"media":0}',
        '{"media":[7]}',
        "[]",
        "7",
        '{"a":9007199254740993}',
    ],
)
def test_a_body_that_the_program_does_not_write_is_named_though_its_hash_fits(folder: Path, body: str) -> None:
    """Whoever can compute hashes can write such a row as the last one."""
    from capture.record.chain import row_hash

    last = rows_of(folder)[-1]
    seq, id_, job, kind, at, mono, session, _, prev, _ = (
        value.decode() if isinstance(value, bytes) else value for value in last
    )
    digest = row_hash(
        seq=seq, id_=id_, job=job, kind=kind, at=at, mono=mono, session=session, body=body, prev=prev
    )  # fmt: skip
    heads = folder / "heads.txt"
    heads.write_text(heads.read_text().replace(last[9].decode(), digest))
    found = tampered(folder, f"UPDATE ledger SET body = '{body}', hash = '{digest}' WHERE seq = 12")
    assert [fault.where for fault in found.faults] == [f"row 12 (id {id_})"]


@pytest.mark.parametrize("size", [1, 2, 5, 12])
@pytest.mark.parametrize("changes", CHANGES)
def test_the_findings_do_not_depend_on_where_a_page_ends(
    folder: Path, monkeypatch: pytest.MonkeyPatch, size: int, changes: list[str]
) -> None:
    with Record.open(folder) as record:
        append(record, 5)
        record.append(job="J-2", kind="note", body={}, at=START, mono=0, session="s1")
    wanted = _by_row(monkeypatch, lambda: tampered(folder, *changes))
    monkeypatch.setattr(check_rows, "_PAGE", size)
    found = verify(folder)
    assert sorted_findings(found) == sorted_findings(wanted)
    assert found.ok == (not changes)
    assert sum("ran back" in notice.what for notice in found.notices) >= (0 if "seq > 10" in str(changes) else 2)


def _by_row(monkeypatch: pytest.MonkeyPatch, work: Callable[[], Verification]) -> Verification:
    """Every page gone through row by row."""
    with monkeypatch.context() as patched:
        patched.setattr(check_rows, "look", lambda page: None)
        return work()


@pytest.mark.parametrize("changes", [[], CHANGES[1], CHANGES[5]])
def test_several_processes_find_what_one_finds(
    folder: Path, monkeypatch: pytest.MonkeyPatch, changes: list[str]
) -> None:
    wanted = tampered(folder, *changes)
    next(path for path in (folder / "media").rglob("*") if path.is_file()).write_bytes(b"other")
    monkeypatch.setattr(verifying, "LARGE", 0)
    monkeypatch.setattr(check_rows, "_PAGE", 2)
    found = verify(folder, processes=2)
    assert sorted_findings(found) == sorted_findings(verify(folder))
    assert len(found.faults) == len(wanted.faults) + 1


def _die_in_a_process(page: tuple[int, int]) -> int:
    """Ends the process it is in, unless that is the one that asks."""
    asking, number = page
    if os.getpid() != asking:
        os._exit(9)
    return number * number


def test_what_a_process_that_went_away_had_to_do_is_done_here() -> None:
    pages = [(os.getpid(), number) for number in range(20)]
    with Spread(2) as spread:
        assert list(spread.over(_die_in_a_process, pages)) == [(page, page[1] ** 2) for page in pages]
        assert spread.beside(_die_in_a_process, pages[3])() == 9


def test_lines_are_skipped_only_when_they_are_these(folder: Path) -> None:
    text = (folder / "heads.txt").read_bytes()
    rows = text.splitlines(keepends=True)
    lines = Lines(folder)
    assert not lines.skip(rows[1])
    assert lines.skip(rows[0] + rows[1])
    assert not lines.skip(b"".join(rows[2:]) + b"13 more\n")
    line = next(lines)
    assert isinstance(line, HeadLine)
    assert (line.number, line.seq) == (3, 3)
    assert lines.skip(b"".join(rows[3:]))
    assert list(lines) == []
    assert not lines.skip(b"")


def test_a_line_that_was_read_ahead_counts_among_the_skipped(folder: Path) -> None:
    rows = (folder / "heads.txt").read_bytes().splitlines(keepends=True)
    faults: list[Any] = []
    walk = HeadsWalk(folder, lambda seq: None, faults.append)
    walk.row(0, "x", "none such")
    assert not walk.rows(rows[1])
    assert not walk.rows(rows[0] + rows[2])
    assert walk.rows(rows[0] + rows[1])
    assert walk.rows(b"".join(rows[2:]))
    assert [notice.where for notice in walk.finish(12)] == ["row 0"]
    assert faults == []
