"""The measure command: one photograph, several of one view, a camera, points given by a person."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from capture.commands.measure import command
from tests.vision.render import World, render, setup_table
from vision import PointsError

WORLD = World(height=3.2)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two frames of one view and their setup."""
    folder = tmp_path_factory.mktemp("measure")
    (folder / "frames").mkdir()
    for seed in range(2):
        Image.fromarray(render(replace(WORLD, seed=seed))).save(folder / "frames" / f"{seed}.png", compress_level=1)
    (folder / "setup.json").write_text(json.dumps(setup_table(WORLD)))
    return folder


def run(*arguments: object) -> Result:
    return CliRunner().invoke(command, [str(a) for a in arguments])


def facts(*arguments: object) -> dict[str, Any]:
    done = run(*arguments, "--json")
    assert done.exit_code in {0, 1}, done.output
    return dict(json.loads(done.stdout))


def test_several_of_one_view(place: Path, tmp_path: Path) -> None:
    frames = sorted((place / "frames").iterdir())
    done = run(*frames, "--setup", place / "setup.json", "--overlay", tmp_path / "o.jpg")
    assert done.exit_code in {0, 1}, done.output
    assert "frames: 3." in done.stdout
    assert "scatter of 2 frames" in done.stdout
    with Image.open(tmp_path / "o.jpg") as drawn:
        assert drawn.format == "JPEG"


def test_a_camera_that_looks_now(place: Path, tmp_path: Path) -> None:
    got = facts("--camera", place / "frames", "--setup", place / "setup.json", "--keep", tmp_path / "kept")
    assert [frame["outcome"] for frame in got["frames"]] == ["measured", "measured"]
    assert abs(got["value_mm"] - WORLD.height) < 0.3
    kept = {path.read_bytes() for path in (tmp_path / "kept").iterdir()}
    assert kept == {path.read_bytes() for path in (place / "frames").iterdir()}


def test_points_of_a_person(place: Path) -> None:
    x, y = WORLD.project(np.array([[WORLD.tip_x, WORLD.tip_y, WORLD.height]]))[0]
    got = facts(place / "frames" / "0.png", "--setup", place / "setup.json", "--tip", f"{x},{y}", "--shown", 2)
    assert got["assisted"] is True
    assert got["points"]["tip"] == [[pytest.approx(x), pytest.approx(y)]]
    assert any(row["source"] == "points set on a smaller picture" for row in got["budget"])
    assert abs(got["value_mm"] - WORLD.height) <= got["expanded_mm"]


def test_calls_that_make_no_sense(place: Path) -> None:
    photo, setup = place / "frames" / "0.png", place / "setup.json"
    for arguments, says in (
        (["--setup", setup], "one or more photographs"),
        ([photo, photo, "--setup", setup, "--tip", "3,4"], "belong to one photograph"),
        ([photo, "--setup", setup, "--tip", "3"], "give it as X,Y"),
    ):
        done = run(*arguments)
        assert done.exit_code == 2
        assert says in done.output
    with pytest.raises(PointsError, match="at least 3"):
        CliRunner().invoke(command, [str(photo), "--setup", str(setup), "--rim", "3,4"], catch_exceptions=False)
