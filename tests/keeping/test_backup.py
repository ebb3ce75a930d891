"""Backups: of one moment while rows are being appended, verified, never over something that is there."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest
from click.testing import CliRunner

from capture.commands.backup import command
from capture.errors import IntegrityError, UsageError
from capture.record import Record, verify
from capture.record.backup import backup
from tests.keeping.world import Job, usual_job


def test_a_copy_proves_itself_and_goes_on(record: Record, tmp_path: Path) -> None:
    usual_job(record)
    found = backup(record.folder, tmp_path / "copy")
    assert (found.ok, found.head, found.notices) == (True, record.head(), ())
    with Record.open(tmp_path / "copy") as copy:
        assert list(copy.rows()) == list(record.rows())
        usual_job(copy)
    assert verify(tmp_path / "copy").ok


def test_a_copy_is_made_while_rows_are_appended(record: Record, tmp_path: Path) -> None:
    job = Job(record)
    stop = threading.Event()

    def work() -> None:
        number = 0
        while not stop.is_set():
            number += 1
            job.reading("opening_effort", "1.3", media=[job.clip(str(number).encode() * 2000)])

    thread = threading.Thread(target=work)
    thread.start()
    try:
        copies = [backup(record.folder, tmp_path / f"copy{number}") for number in range(4)]
    finally:
        stop.set()
        thread.join()
    assert all(copy.ok for copy in copies)
    numbers = [copy.head.seq for copy in copies]
    assert numbers == sorted(numbers)
    assert numbers[-1] > numbers[0]
    kept = {row.seq: row.hash for row in record.rows()}
    assert all(kept[copy.head.seq] == copy.head.hash for copy in copies)


def test_a_damaged_record_gives_no_backup_in_silence(record: Record, tmp_path: Path) -> None:
    job = usual_job(record)
    clip = next(ref for row in job.rows for ref in row.media if ref.kind == "clip")
    record.media_path(clip.sha256).write_bytes(b"something else")
    with pytest.raises(IntegrityError, match=clip.sha256):
        backup(record.folder, tmp_path / "copy")
    assert not (tmp_path / "copy").exists()
    assert any(path.name.startswith("copy.faulty-") for path in tmp_path.iterdir())


def test_nothing_is_overwritten(record: Record, tmp_path: Path) -> None:
    usual_job(record)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "file").write_text("mine")
    for target in (tmp_path / "full", tmp_path / "full" / "file", record.folder):
        with pytest.raises(UsageError, match="nothing is overwritten"):
            backup(record.folder, target)
    with pytest.raises(UsageError, match="inside the record's own media"):
        backup(record.folder, record.folder / "media" / "copy")
    with pytest.raises(UsageError, match="no record here"):
        backup(tmp_path / "none", tmp_path / "copy")
    (tmp_path / "empty").mkdir()
    assert backup(record.folder, tmp_path / "empty").ok


def test_the_command(record: Record, tmp_path: Path) -> None:
    usual_job(record)
    run = CliRunner().invoke
    shown = run(command, [str(tmp_path / "one"), "--record", str(record.folder)])
    assert "copied and verified" in shown.output
    found = json.loads(run(command, [str(tmp_path / "two"), "--record", str(record.folder), "--json"]).output)
    assert found["ok"]
    assert found["head"]["hash"] == record.head().hash
