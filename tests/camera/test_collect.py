"""Collecting a board's pictures from a camera, and the calibrate command around it."""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from capture.camera.collect import Collected, collect
from capture.camera.files import FolderCamera
from capture.camera.shots import Frame
from capture.commands.calibrate import command
from tests.vision.boards import BOARD, MATRIX, POSES, SIZE, picture
from vision import Photo, load_photo
from vision.exif import webcam_exif
from vision.setups import load_cameras

TEXT = "7x5:30/22:DICT_5X5_100"


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A camera's frames: the board brought to each pose, rested there, and held too long at the last one."""
    folder = tmp_path_factory.mktemp("bench eye")
    number = 0
    for k, pose in enumerate(POSES):
        for again in range(2 if k else 4):
            rgb = picture(*pose, seed=100 * k + again)
            exif = webcam_exif("Bench eye", "2026:03:12 09:15:00", "+01:00", "120")
            Image.fromarray(rgb).save(folder / f"{number:03}.jpg", quality=95, exif=exif)
            number += 1
    return folder


def test_each_rested_new_view_is_taken_once(frames: Path) -> None:
    told: list[tuple[int, float]] = []

    def tell(got: Collected, photo: Photo) -> None:
        assert photo.rgb.size > 0
        told.append((len(got.seen), got.coverage.share))

    got = collect(FolderCamera(frames), BOARD, tell)
    assert got is not None
    assert [n for n, _ in told] == list(range(1, len(got.seen) + 1))
    assert 9 <= len(got.seen) <= len(POSES), "the board that was only held longer is not taken again"
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert got.coverage.share > 0.7
    assert got.photos[0].rgb.size == 0, "pixels are not held"


def run(*arguments: object) -> tuple[int, Any, str]:
    result = CliRunner().invoke(command, [str(a) for a in arguments] + ["--json"], standalone_mode=False)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    code = result.return_value if isinstance(result.return_value, int) else result.exit_code
    return code, json.loads(result.stdout), result.stderr


def test_calibrating_with_a_camera(frames: Path, tmp_path: Path) -> None:
    shelf = tmp_path / "cameras"
    shelf.mkdir()
    arguments = ["--board", TEXT, "--camera", frames, "--out", shelf, "--coverage", tmp_path / "c.jpg"]
    _, facts, said = run(*arguments, "--keep", tmp_path / "kept")
    assert facts["photos_used"] >= 9
    assert "of the field covered" in said
    (camera,) = load_cameras(shelf)
    assert camera.image_size == SIZE
    assert camera.covariance is not None
    u = np.sqrt(np.diag(camera.covariance))
    truth = [MATRIX[0, 0], MATRIX[1, 1], MATRIX[0, 2], MATRIX[1, 2]]
    got = [camera.matrix[0, 0], camera.matrix[1, 1], camera.matrix[0, 2], camera.matrix[1, 2]]
    assert np.all(np.abs(np.subtract(got, truth)) < 4 * u[:4])
    assert abs(got[0] / truth[0] - 1) < 0.004
    assert (camera.focus, camera.model) == ("focus 120", frames.name)
    assert Image.open(io.BytesIO((tmp_path / "c.jpg").read_bytes())).width == 960
    assert len(list((tmp_path / "kept").iterdir())) == facts["photos_used"]

    # the same pictures again, from the files: the calibration before is put aside and compared with
    code, again, _ = run(*sorted((tmp_path / "kept").iterdir()), "--board", TEXT, "--out", next(shelf.glob("*.json")))
    assert again["agrees_with_earlier"] is True
    assert len(list((shelf / "earlier").iterdir())) == 1
    assert len(load_cameras(shelf)) == 1
    assert code in {0, 1}


def test_a_knocked_lens_is_noticed(frames: Path, tmp_path: Path) -> None:
    files = sorted(frames.iterdir())[3::2]
    out = tmp_path / "cam.json"
    run(*files, "--board", TEXT, "--out", out)
    table = json.loads(out.read_text())
    table["matrix"][0][0] *= 1.03
    table["calibrated"] = "2025-11-02T08:00:00+01:00"
    out.write_text(json.dumps(table))
    code, facts, _ = run(*files, "--board", TEXT, "--out", out)
    assert code == 1
    assert facts["agrees_with_earlier"] is False
    assert "differs from the calibration of 2025-11-02" in facts["words"][-1]


def test_photographs_or_a_camera(tmp_path: Path) -> None:
    for arguments in (["--board", TEXT, "--out", "x"], ["a.jpg", "--camera", "0", "--board", TEXT, "--out", "x"]):
        result = CliRunner().invoke(command, arguments)
        assert result.exit_code == 2
        assert "photographs of the board, or --camera" in result.output


class Webcam:
    """Two still frames of a webcam, which tells its lens's position."""

    name = "Bench eye"

    def __init__(self, stop: bool = False) -> None:
        self.stop = stop

    def frames(self) -> Any:
        for k in range(2):
            yield Frame(picture(*POSES[0], seed=k), datetime(2026, 3, 12, 9, 15, tzinfo=UTC), k / 10, "120")
        if self.stop:
            raise KeyboardInterrupt

    def close(self) -> None:
        pass


def test_a_webcams_focus_is_told_as_its_pictures_will_tell_it() -> None:
    got = collect(Webcam(), BOARD, lambda got, photo: None)
    assert got is not None
    assert [photo.focus for photo in got.photos] == ["focus 120"] == [load_photo(got.files[0]).focus]
    assert (got.photos[0].camera_model, got.photos[0].size) == ("Bench eye", SIZE)


def test_whoever_stops_it_gets_what_there_is() -> None:
    got = collect(Webcam(stop=True), BOARD, lambda got, photo: None)
    assert got is not None
    assert len(got.seen) == 1
