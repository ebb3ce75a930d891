from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from capture.commands import jobs, report
from capture.errors import EnvironmentFault, UsageError
from capture.record import Record
from capture.record.place import record_folder
from tests.review.conftest import Sample


def run(command: object, *arguments: str) -> Result:
    return CliRunner().invoke(command, list(arguments), standalone_mode=False)  # type: ignore[arg-type]


def test_the_record_is_where_it_is_said_to_be(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHWITNESS_RECORD", "/somewhere")
    assert record_folder("here") == Path("here")
    assert record_folder() == Path("/somewhere")
    monkeypatch.delenv("BENCHWITNESS_RECORD")
    assert record_folder() == Path("benchwitness-record")


def test_jobs_lists_them(sample: Sample, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHWITNESS_RECORD", str(sample.folder))
    told = run(jobs.command)
    assert told.return_value == 0
    assert told.stdout.startswith(f"{sample.job}  2031-05-06 09:15  K7-0412 LV2  lever_valve")
    (job,) = json.loads(run(jobs.command, "--json").stdout)
    assert (job["job"], job["ended"], job["technician"]) == (sample.job, True, "R. Okafor")


def test_report_writes_the_latest_job_or_the_one_that_is_named(sample: Sample, tmp_path: Path) -> None:
    out = tmp_path / "r.html"
    for wanted in ([], [sample.job], [sample.job[:6]]):
        out.unlink(missing_ok=True)
        told = run(report.command, *wanted, "--record", str(sample.folder), "--out", str(out))
        assert told.exception is None
        assert told.return_value == 0
        assert out.read_text("utf-8") == sample.html
    facts = json.loads(run(report.command, "--record", str(sample.folder), "--out", str(out), "--json").stdout)
    assert facts["report"] == str(out)
    assert facts["head"]["hash"] in out.read_text("utf-8")


def test_report_refuses_plainly(sample: Sample, tmp_path: Path) -> None:
    with Record.create(tmp_path / "empty"):
        pass
    assert isinstance(run(report.command, "--record", str(tmp_path / "empty")).exception, UsageError)
    assert isinstance(run(report.command, "no", "--record", str(sample.folder)).exception, UsageError)
    assert isinstance(run(report.command, "--record", str(tmp_path / "none")).exception, UsageError)
    nowhere = str(tmp_path / "none" / "r.html")
    told = run(report.command, "--record", str(sample.folder), "--out", nowhere)
    assert isinstance(told.exception, EnvironmentFault)


def test_a_report_with_missing_media_leaves_with_one(tmp_path: Path, record: Record) -> None:
    from tests.review.sample import sample_job

    job = sample_job(record)
    clip = next(ref for row in record.rows(job) for ref in row.media if ref.kind == "clip")
    record.media_path(clip.sha256).unlink()
    told = run(report.command, "--record", str(record.folder), "--out", str(tmp_path / "r.html"))
    assert told.return_value == 1
    assert clip.sha256 in told.stderr


def test_commands_import_nothing_heavy_before_they_run() -> None:
    heavy = "import sys, capture.commands.report, capture.commands.jobs, capture.commands.verify;"
    heavy += "print([m for m in ('sqlite_utils', 'jinja2', 'PIL', 'numpy', 'cv2', 'vosk') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", heavy], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
