"""The commands together, as somebody types them: sign, export, import elsewhere, verify, report, back up, purge."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from capture.cli import main
from capture.record import Record
from tests.keeping.world import LEVER, usual_job


class Shell:
    """Runs a command line; gives its exit code, output and messages."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys

    def __call__(self, *arguments: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            main([str(argument) for argument in arguments])
        out = self._capsys.readouterr()
        assert "Traceback" not in out.err
        assert isinstance(left.value.code, int)
        return left.value.code, out.out, out.err


@pytest.fixture
def shell(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shell:
    """A shell in a workshop with two keys."""
    monkeypatch.setenv("BENCHWITNESS_KEYS", str(tmp_path / "keys"))
    monkeypatch.setenv("BENCHWITNESS_PASSPHRASE", "three plain words")
    monkeypatch.chdir(tmp_path)
    run = Shell(capsys)
    for person in ("Ada Brook", "Ben Carr"):
        assert run("key", "new", "--person", person)[0] == 0
    return run


@pytest.fixture
def jobs(tmp_path: Path) -> list[str]:
    """A closed record "home" of two jobs."""
    with Record.create(tmp_path / "home") as record:
        return [usual_job(record).id, usual_job(record, days=1).id]


@pytest.mark.parametrize("name", ["bag", "bag.zip"])
def test_a_job_on_its_way(shell: Shell, jobs: list[str], name: str) -> None:
    home, away = ("--record", "home"), ("--record", "away")
    for role, person in (("technician", "Ada Brook"), ("reviewer", "Ben Carr")):
        code, out, _ = shell("sign", jobs[0], "--role", role, "--person", person, *home)
        assert code == 0, out
    code, out, err = shell("sign", jobs[0], "--role", "reviewer", "--person", "Ada Brook", *home)
    assert (code, out) == (2, "")
    assert "asks for different persons" in err
    code, out, _ = shell("verify", "home")
    assert code == 0
    assert out.count("signed  job") == 2
    code, out, _ = shell("export", jobs[0], "--out", name, "--source", "North Quay", *home)
    assert (code, "1 jobs, " in out) == (0, True)
    assert shell("export", jobs[0], "--out", name, *home)[0] == 2
    code, out, _ = shell("import", name, "--check")
    assert code == 0
    assert "the bag proves itself" in out
    code, out, _ = shell("import", name, *away)
    assert (code, f"imported  {jobs[0]}" in out) == (0, True)
    code, out, _ = shell("import", name, *away, "--json")
    assert (code, json.loads(out)["known"]) == (0, [jobs[0]])
    code, out, _ = shell("verify", "away")
    assert (code, out.count("holds")) == (0, 2)
    code, out, _ = shell("import", "home", *away)
    assert (code, f"imported  {jobs[1]}" in out) == (0, True)
    assert json.loads(shell("find", "lot", "L-2207", *away, "--json")[1])["total"] == 2
    assert shell("backup", "copy", *away)[0] == 0
    assert shell("verify", "copy")[0] == 0


def test_reports_of_jobs_that_were_signed_imported_and_purged(shell: Shell, jobs: list[str], tmp_path: Path) -> None:
    with Record.open(tmp_path / "home") as record:
        from datetime import UTC, datetime

        from capture.record.retention import old_sound, purge
        from tests.keeping.world import moment

        sounds = old_sound(record, 1, datetime(2040, 1, 1, tzinfo=UTC))
        assert purge(record, sounds, 1, "Ben Carr", moment(10)) == 4
    assert shell("sign", jobs[0], "--role", "reviewer", "--person", "Ben Carr", "--record", "home")[0] == 0
    code, out, err = shell("export", "--all", "--out", "bag", "--record", "home")
    assert code == 0, err
    assert "4 files are not in it: they were purged on purpose." in out
    assert shell("import", "bag", "--record", "away")[0] == 0
    code, out, _ = shell("verify", "away")
    assert (code, out.count("purged on purpose")) == (0, 4)
    page = (tmp_path / "bag/data/reports" / f"{jobs[0]}.html").read_text("utf-8")
    assert LEVER.name in page
    assert "purged" in page


def test_a_flipped_bit_leaves_with_3_and_names_the_file(shell: Shell, jobs: list[str], tmp_path: Path) -> None:
    assert shell("export", jobs[0], "--out", "bag", "--no-report", "--record", "home")[0] == 0
    path = next((tmp_path / "bag/data/media").rglob("*/*"))
    path.write_bytes(bytes([path.read_bytes()[0] ^ 1]) + path.read_bytes()[1:])
    code, out, err = shell("import", "bag", "--record", "away")
    assert (code, out) == (3, "")
    assert path.name in err
    assert not (tmp_path / "away").exists()
    shutil.rmtree("bag")
    assert shell("import", "bag", "--record", "away")[0] == 2
    assert not (tmp_path / "away").exists()


def test_usage(shell: Shell, jobs: list[str]) -> None:
    for arguments in (
        ("export", "--out", "bag", "--record", "home"),
        ("export", jobs[0], "--all", "--out", "bag", "--record", "home"),
        ("export", "nothing", "--out", "bag", "--record", "home"),
        ("find", "drift", "nothing", "--record", "home"),
        ("find", "lot", "L", "--record", "none"),
        ("purge", "--audio-older-than", "0", "--record", "home"),
        ("backup", "home", "--record", "home"),
        ("sign", jobs[0], "--record", "home"),
    ):
        code, out, err = shell(*arguments)
        assert (code, out) == (2, ""), arguments
        assert err.strip()
