"""The demonstration jobs end to end: real sound, real recogniser, real pictures, real record, and then damage to it."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

PLANTED = {
    "lever-valve": Counter(
        {
            ("out_of_limits", "supply_pressure"): 2,  # said, then confirmed
            ("out_of_limits", "opening_effort"): 2,  # said, then confirmed
            ("missing_at_stage_end", "assembled"): 1,  # a sealing ring was not fitted
            ("part_left_over", "lever_valve"): 1,
            ("photo_disagrees", "lever_height"): 1,
            ("role_unsigned", "lever_valve"): 1,  # nobody has reviewed it yet
        }
    ),
    "pressure-reducer": Counter(
        {
            ("check_not_good", "filter"): 1,
            ("out_of_limits", "outlet_pressure"): 2,
            ("guard_band", "creep"): 1,
            ("role_unsigned", "pressure_reducer"): 2,
        }
    ),
}


def _command(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "capture", *arguments], capture_output=True, text=True, check=False)


@pytest.fixture(scope="module", params=sorted(PLANTED))
def job(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path, dict[str, Any]]:
    out = tmp_path_factory.mktemp("demo") / "out"
    done = _command("demo", "--job", request.param, "--out", str(out), "--json")
    assert done.returncode == 1, done.stderr
    return request.param, out, json.loads(done.stdout)


def test_every_planted_fault_is_warned_of_and_nothing_else(job: tuple[str, Path, dict[str, Any]]) -> None:
    name, _, result = job
    found = Counter((warning["id"], entry["subject"]) for entry in result["entries"] for warning in entry["warnings"])
    assert found == PLANTED[name]
    assert result["faults"] == []


def test_every_line_of_the_script_was_heard_as_it_was_written(job: tuple[str, Path, dict[str, Any]]) -> None:
    _, _, result = job
    assert not [entry["words"] for entry in result["entries"] if entry["kind"] in {"refused", "not_understood"}]


def test_the_record_proves_itself_and_the_report_shows_its_head(job: tuple[str, Path, dict[str, Any]]) -> None:
    _, out, result = job
    assert _command("verify", str(out / "record"), "--head", result["head"]).returncode == 0
    assert result["head"] in (out / "report.html").read_text("utf-8")


def test_one_flipped_byte_in_any_media_file_is_named(job: tuple[str, Path, dict[str, Any]], tmp_path: Path) -> None:
    from capture.record import verify

    copy = tmp_path / "record"
    shutil.copytree(job[1] / "record", copy)
    files = sorted(path for path in (copy / "media").rglob("*") if path.is_file())
    assert len(files) > 10
    for number, path in enumerate(files):
        data = bytearray(path.read_bytes())
        place = (number * 7919) % len(data)
        data[place] ^= 1 << (number % 8)
        path.chmod(0o644)
        path.write_bytes(data)
        assert any(path.name in fault.where + fault.what for fault in verify(copy).faults), path
        data[place] ^= 1 << (number % 8)
        path.write_bytes(data)
    assert not verify(copy).faults


def test_one_changed_character_in_any_row_is_named(job: tuple[str, Path, dict[str, Any]], tmp_path: Path) -> None:
    from capture.record import verify

    copy = tmp_path / "record"
    shutil.copytree(job[1] / "record", copy)
    ledger = copy / "ledger.sqlite"
    with sqlite3.connect(ledger) as plain:
        rows = plain.execute("SELECT seq, body FROM ledger ORDER BY seq").fetchall()
        triggers = plain.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    plain.close()
    for seq, body in rows:
        _overwrite(ledger, triggers, seq, _altered(body, seq * 7919))
        assert any(f"row {seq}" in fault.where + fault.what for fault in verify(copy).faults), seq
        _overwrite(ledger, triggers, seq, body)
    assert not verify(copy).faults


def _altered(body: str, start: int) -> str:
    """The row with one character changed, from a place on where it stays JSON (the ledger takes nothing else)."""
    for step in range(len(body)):
        place = (start + step) % len(body)
        other = body[:place] + chr(ord(body[place]) ^ 1) + body[place + 1 :]
        try:
            if json.loads(other) != json.loads(body):
                return other
        except json.JSONDecodeError:
            continue
    raise AssertionError(body)


def _overwrite(ledger: Path, triggers: list[tuple[str, str]], seq: int, body: str) -> None:
    """Change a row as somebody would who removes the triggers first and puts them back afterwards."""
    plain = sqlite3.connect(ledger)
    for name, _ in triggers:
        plain.execute(f'DROP TRIGGER "{name}"')
    plain.execute("UPDATE ledger SET body = ? WHERE seq = ?", (body, seq))
    for _, sql in triggers:
        plain.execute(sql)
    plain.commit()
    plain.close()
