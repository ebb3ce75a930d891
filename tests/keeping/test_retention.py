"""Purging sound on purpose: what goes, what stays, what a verification says of it."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from capture.commands.purge import command
from capture.errors import UsageError
from capture.record import Record, verify
from capture.record import media as media_module
from capture.record.admin import job_rows
from capture.record.keys import new_key
from capture.record.retention import old_sound, purge, purged_files, remove_purged
from capture.record.signatures import purge_holds
from capture.record.signing import Signer
from tests.keeping.world import START, Job, moment, usual_job

LATER = START + timedelta(days=400)


def test_old_sound_goes_and_the_record_still_proves_itself(record: Record, signer: Callable[[str], Signer]) -> None:
    old, young = usual_job(record), usual_job(record, days=380)
    head = record.head()
    sounds = old_sound(record, 365, LATER)
    assert [(sound.job, len(sound.files)) for sound in sounds] == [(old.id, 2)]
    assert purge(record, sounds, 365, "Ben Carr", moment(400), signer("Ben Carr")) == 2
    clips = [ref for row in old.rows for ref in row.media if ref.media_type == "audio/wav"]
    assert len(clips) == 2
    assert not any(record.media_path(ref.sha256).exists() for ref in clips)
    kept = [ref for job in (old, young) for row in job.rows for ref in row.media if ref not in clips]
    assert all(record.read_media(ref.sha256) for ref in kept)
    rows = job_rows(record, old.id)
    assert rows[: len(old.rows)] == old.rows
    assert purged_files(rows[-1]) == [ref.sha256 for ref in clips]
    assert rows[-1].body["data"]["files"][0]["rows"] == [old.rows[5].id]
    assert purge_holds(rows, rows[-1]) is True
    found = verify(record.folder, head=head.hash)
    assert found.ok
    said = [notice for notice in found.notices if "purged on purpose" in notice.what]
    assert len(said) == 2
    assert clips[0].sha256 in said[0].where + said[1].where
    assert old_sound(record, 365, LATER) == []
    assert purge(record, [], 365, "Ben Carr", moment(401)) == 0


def test_sound_that_a_younger_row_needs_stays(record: Record) -> None:
    old, young = Job(record), Job(record, days=390)
    shared = old.clip(b"shared")
    old.reading("opening_effort", "1.3", media=[shared])
    young.reading("opening_effort", "1.3", media=[shared])
    assert old_sound(record, 365, LATER) == []
    sounds = old_sound(record, 5, LATER)
    assert [sound.job for sound in sounds] == [old.id, young.id]
    assert purge(record, sounds[:1], 5, "Ben Carr", moment(400)) == 0
    assert record.media_path(shared.sha256).exists()
    assert purge(record, sounds[1:], 5, "Ben Carr", moment(400)) == 1
    assert verify(record.folder).ok


def test_one_job_cannot_purge_what_another_points_to(record: Record) -> None:
    """A row of kind "purged" speaks for its own job alone: a stranger's job cannot excuse our missing files."""
    mine, other = usual_job(record), Job(record)
    clip = next(ref for row in mine.rows for ref in row.media if ref.kind == "clip")
    other.entry("purged", None, {"rule": {}, "person": "x", "files": [{**clip.to_body(), "rows": []}]})
    assert remove_purged(record) == 0
    assert record.media_path(clip.sha256).exists()
    record.media_path(clip.sha256).unlink()
    (fault,) = verify(record.folder).faults
    assert "missing" in fault.what


def test_a_purged_file_that_comes_back_changed_is_a_fault(record: Record) -> None:
    job = usual_job(record)
    purge(record, old_sound(record, 1, LATER), 1, "Ben Carr", moment(400))
    clip = next(ref for row in job.rows for ref in row.media if ref.kind == "clip")
    record.media_path(clip.sha256).write_bytes(b"something else")
    (fault,) = verify(record.folder).faults
    assert clip.sha256 in fault.where


def test_a_photo_that_is_missing_is_not_excused(record: Record) -> None:
    job = usual_job(record)
    purge(record, old_sound(record, 1, LATER), 1, "Ben Carr", moment(400))
    photo = next(ref for row in job.rows for ref in row.media if ref.kind == "photo")
    record.media_path(photo.sha256).unlink()
    (fault,) = verify(record.folder).faults
    assert photo.sha256 in fault.where


def test_an_interrupted_purge_is_finished_by_the_next(record: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    usual_job(record)
    sounds = old_sound(record, 1, LATER)

    def fail(path: Path) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as broken:
        broken.setattr("capture.record.retention.flush_folder", fail)
        with pytest.raises(Exception, match="check the disk"):
            purge(record, sounds, 1, "Ben Carr", moment(400))
    assert verify(record.folder).ok
    assert media_module.flush_folder is not fail
    assert old_sound(record, 1, LATER) == []
    assert purge(record, [], 1, "Ben Carr", moment(400)) == 1
    assert verify(record.folder).ok


def test_a_forged_purge_does_not_hold(record: Record, signer: Callable[[str], Signer]) -> None:
    job = usual_job(record)
    purge(record, old_sound(record, 1, LATER), 1, "Ben Carr", moment(400), signer("Ben Carr"))
    rows = job_rows(record, job.id)
    row = rows[-1]
    for changed in ({"person": "Ada Brook"}, {"files": row.body["data"]["files"][:1]}, {"rule": {}}):
        forged = row.__class__(**{**row.__dict__, "body": {**row.body, "data": {**row.body["data"], **changed}}})
        assert purge_holds(rows, forged) is False
    assert purge_holds(rows[:-2], row) is False
    plain = {**row.body, "data": {key: value for key, value in row.body["data"].items() if key != "sealed"}}
    assert purge_holds(rows, row.__class__(**{**row.__dict__, "body": plain})) is None


def test_purge_needs_an_age_and_a_person(record: Record) -> None:
    usual_job(record)
    with pytest.raises(UsageError, match="no age"):
        old_sound(record, 0, LATER)
    with pytest.raises(UsageError, match="somebody's decision"):
        purge(record, old_sound(record, 1, LATER), 1, "  ", moment())


def test_the_command_removes_nothing_without_yes(
    record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHWITNESS_KEYS", str(tmp_path / "keys"))
    monkeypatch.setenv("BENCHWITNESS_PASSPHRASE", "three plain words")
    new_key(tmp_path / "keys", "Ben Carr", "three plain words")
    monkeypatch.setattr("capture.record.retention.parse_time", lambda text: START - timedelta(days=20_000))
    usual_job(record)
    place = ["--record", str(record.folder), "--audio-older-than", "100"]
    head = record.head()
    run = CliRunner().invoke
    shown = run(command, place)
    assert "2 files, " in shown.output
    assert "nothing was" in shown.output
    assert record.head() == head
    assert isinstance(run(command, [*place, "--yes"]).exception, UsageError)
    done = json.loads(run(command, [*place, "--yes", "--person", "Ben Carr", "--sign", "--json"]).output)
    assert done["removed"] == 2
    assert record.head().hash == done["head"]
    assert verify(record.folder).ok
