"""Jobs by the look-up index: the same answers as from the ledger itself."""

from __future__ import annotations

import json
import shutil
import sqlite3
from importlib import import_module
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from capture.commands.jobs import command
from capture.errors import UsageError
from capture.judge import entry_to_body
from capture.judge.entry import Entry, Warned
from capture.record import Record, admin
from capture.review.job_ids import find_job, summaries
from capture.review.lookups_index import NAME, near_index, open_index
from tests.keeping.world import Job, usual_job

INDEXING = import_module("capture.review.lookups_index")


def warned(job: Job, *names: str) -> None:
    warnings = tuple(Warned(name, "warning", "It is so.", 'Say "warnings":[] aloud.') for name in names)
    job.append("note", entry_to_body(Entry("note", None, None, "accepted", "said", {}, warnings=warnings)))


@pytest.fixture
def several(record: Record) -> Record:
    """Jobs of all sorts, their rows mixed with one another."""
    first = usual_job(record)
    second, third = Job(record, serial="Z-1", days=2), Job(record, serial="", days=1)
    warned(second, "one", "two")
    third.entry("note", None, {"text": '"warnings":[{}]', "warnings": [{}]})
    warned(third, "three")
    second.reading("opening_effort", "1.3")
    second.end()
    second.append("reopened", {"kind": "reopened", "data": {"reason": "again"}})
    first.entry("note", None, {"text": "later"})
    record.append(job="odd", kind="note", body={"x": 1}, at="2031-05-06T09:15:00Z", mono=0, session="s")
    return record


@pytest.mark.parametrize("batch", [3, 20_000])
def test_all_jobs_are_what_the_ledgers_own_view_says(
    several: Record, monkeypatch: pytest.MonkeyPatch, batch: int
) -> None:
    monkeypatch.setattr(INDEXING, "BATCH", batch)
    with open_index(several.folder) as index:
        found = summaries(index)
    assert found == several.jobs()
    assert [job.warnings for job in found] == [found[0].warnings, 2, 1, 0]
    assert [job.ended for job in found] == [True, False, False, False]


def test_the_command_lists_them(several: Record) -> None:
    run = CliRunner().invoke(command, ["--record", str(several.folder), "--json"])
    assert [job["job"] for job in json.loads(run.output)] == [job.job for job in several.jobs()]
    lines = CliRunner().invoke(command, ["--record", str(several.folder)]).output.splitlines()
    assert len(lines) == 4
    assert "2 warnings  not ended" in lines[1]


def both(record: Record, given: str) -> tuple[str, str]:
    """What is found by the index, and by the ledger alone."""
    told = []
    for find in (find_job, admin.find_job):
        try:
            told.append(find(record, given))
        except UsageError as error:
            told.append(str(error))
    return told[0], told[1]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    st.sets(st.text("ab%_*-\ud7ff\ue000\U0010ffff", min_size=1, max_size=4), min_size=1, max_size=5),
    st.text("ab%_*-\ud7ff\U0010ffff", max_size=4),
)
@example({"_\U0010ffff", "__"}, "_")
@example({"\ud7ffa", "\ud7ffb", "\ue000"}, "\ud7ff")
@example({"\U0010ffffa", "\U0010ffffb"}, "\U0010ffff")
def test_a_part_of_an_id_names_the_same_job_as_in_the_ledger(
    tmp_path_factory: pytest.TempPathFactory, ids: set[str], given: str
) -> None:
    folder = tmp_path_factory.mktemp("ids") / "r"
    with Record.create(folder) as record:
        for job in sorted(ids):
            record.append(job=job, kind="note", body={}, at="2031-05-06T09:15:00Z", mono=0, session="s")
        with open_index(folder):
            pass
        by_index, by_ledger = both(record, given)
        assert by_index == by_ledger
    shutil.rmtree(folder)


def test_the_index_is_asked_when_it_is_at_hand(several: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    with open_index(several.folder):
        pass
    late = Job(several)
    monkeypatch.setattr(admin, "job_ids", lambda record: pytest.fail("the ledger was searched"))
    for job in (late.id, "odd"):
        assert find_job(several, job[-9:]) == find_job(several, job[:36]) == job


@pytest.mark.parametrize("index", ["none", "damaged", "of another version", "of another ledger", "far behind"])
def test_without_a_fitting_index_the_ledger_is_asked_and_no_index_is_made(
    several: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, index: str
) -> None:
    path = several.folder / NAME
    if index != "none":
        with open_index(several.folder):
            pass
    if index == "damaged":
        path.write_bytes(b"nothing that SQLite knows" * 99)
    elif index in ("of another version", "of another ledger"):
        db = sqlite3.connect(path)
        db.execute("UPDATE state SET version = 1" if "version" in index else "UPDATE state SET hash = 'x'")
        db.execute("UPDATE job SET job = 'x' || job, backwards = backwards || 'x'")
        db.commit()
        db.close()
    elif index == "far behind":
        monkeypatch.setattr(INDEXING, "BATCH", 0)
        Job(several)
    with near_index(several.folder) as found:
        assert found is None
    job = several.jobs()[-1].job
    assert find_job(several, job[-10:]) == job
    assert path.exists() == (index != "none")
