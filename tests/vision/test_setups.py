"""Setup files: every fault at once, each with its place."""

import json
from pathlib import Path

import pytest

from tests.vision.render import World, setup_table
from vision import SetupError, load_setup, setup_from_mapping
from vision.setups import camera_from_mapping, camera_to_mapping


def test_a_good_setup() -> None:
    setup = setup_from_mapping(setup_table(World()))
    assert setup.geometry.rim_diameter_mm == 61.0
    assert set(setup.target.markers) == {7, 23}


def test_every_fault_at_once() -> None:
    table = setup_table(World())
    table["geometry"] = {"rim_diameter": 60}
    table["target"]["dictionary"] = "MINE"
    table["target"]["markers"][0]["corners_mm"] = [[0, 0], [10, 0], [10, 10], [0, 10]]
    table["camera"]["matrix"] = [[1, 2], [3, 4]]
    with pytest.raises(SetupError) as caught:
        setup_from_mapping(table, where="x.toml")
    text = str(caught.value)
    for part in (
        "geometry.rim_diameter is not known",
        "rim_diameter_mm is missing",
        "'MINE'",
        "is no square",
        "camera.matrix",
    ):
        assert part in text
    assert text.startswith("x.toml: ")


def test_camera_in_its_own_file(tmp_path: Path) -> None:
    table = setup_table(World())
    (tmp_path / "cam.json").write_text(json.dumps(table["camera"]))
    (tmp_path / "s.json").write_text(json.dumps({**table, "camera": "cam.json"}))
    assert load_setup(tmp_path / "s.json").camera.image_size == (1280, 960)


def test_camera_round_trip() -> None:
    camera = setup_from_mapping(setup_table(World())).camera
    again = camera_from_mapping(camera_to_mapping(camera))
    assert (again.matrix == camera.matrix).all()


@pytest.mark.parametrize("text", ["", "[camera", "[[[", "camera = 3"])
def test_files_that_are_none(tmp_path: Path, text: str) -> None:
    path = tmp_path / "s.toml"
    path.write_text(text)
    with pytest.raises(SetupError, match=r"s\.toml"):
        load_setup(path)


def test_missing_setup_file(tmp_path: Path) -> None:
    with pytest.raises(SetupError, match="check the path"):
        load_setup(tmp_path / "none.toml")
