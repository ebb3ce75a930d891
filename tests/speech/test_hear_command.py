"""``benchwitness hear``."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from capture.commands.hear import command

DATA = Path(__file__).parent / "data"


def test_hear_prints_json_and_keeps_clips(tmp_path: Path) -> None:
    files = [str(DATA / "pressure.flac"), str(tmp_path / "missing.wav")]
    result = CliRunner().invoke(command, [*files, "--json", "--clips", str(tmp_path / "clips")], standalone_mode=False)
    assert result.exception is None
    assert result.return_value == 4, "one file is missing"
    assert "no sound file" in result.stderr
    (heard,) = json.loads(result.stdout)
    assert heard["file"] == "pressure.flac"
    assert heard["text"].startswith("supply pressure one three five")
    assert [p.name for p in (tmp_path / "clips").iterdir()] == ["pressure-001.wav"]


def test_hear_shows_words_times_and_doubts(capsys: pytest.CaptureFixture[str]) -> None:
    result = CliRunner().invoke(command, [str(DATA / "lever.flac")], standalone_mode=False)
    assert "lever height two point five millimetres" in result.stdout
    assert result.return_value in (0, 1)
    assert ("doubt:" in result.stdout) == (result.return_value == 1)
