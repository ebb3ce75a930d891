"""From frames to one picture: the best of a second, a burst beside it, webcams through a stand-in for the driver."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from capture.camera import open_camera, take
from capture.camera.shots import Frame
from capture.camera.webcam import Device, Webcam, devices, pick
from capture.errors import EnvironmentFault, UsageError
from tests.vision.render import World, render
from vision import load_photo

SHARP = render(World(size=(320, 240), noise=1.0))


def blurred(sigma: float) -> np.ndarray:
    return cv2.GaussianBlur(SHARP, (0, 0), sigma)


def folder_of(place: Path, *frames: np.ndarray) -> Path:
    place.mkdir(exist_ok=True)
    for number, frame in enumerate(frames):
        Image.fromarray(frame).save(place / f"{number:03}.png")
    return place


def test_the_sharpest_of_a_second_is_taken(tmp_path: Path) -> None:
    frames = [blurred(3), blurred(2), SHARP, blurred(1.5), blurred(4)]
    camera = open_camera(str(folder_of(tmp_path / "frames", *frames)))
    shot = take(camera, burst=3)
    assert shot.data == (tmp_path / "frames" / "002.png").read_bytes(), "the file stays as it is"
    assert [load_photo(data).rgb.tolist() == frames[k].tolist() for data, k in zip(shot.more, (3, 1), strict=True)]
    assert shot.more == tuple((tmp_path / "frames" / f"{k:03}.png").read_bytes() for k in (3, 1))
    assert (shot.facts["frames_seen"], shot.facts["frames_taken"]) == (5, 3)


def test_burnt_out_frames_lose_against_well_lit_ones(tmp_path: Path) -> None:
    burnt = np.clip(SHARP.astype(int) * 2, 0, 255).astype(np.uint8)
    shot = take(open_camera(str(folder_of(tmp_path / "frames", burnt, blurred(0.6), burnt))), burst=1)
    assert shot.data == (tmp_path / "frames" / "001.png").read_bytes()
    assert shot.more == ()


def test_only_a_second_is_looked_at(tmp_path: Path) -> None:
    frames = [blurred(2)] * 12 + [SHARP]  # ten a second: the sharp one comes too late
    camera = open_camera(str(folder_of(tmp_path / "frames", *frames)))
    assert take(camera).data != (tmp_path / "frames" / "012.png").read_bytes()
    assert take(camera, burst=1).data == (tmp_path / "frames" / "012.png").read_bytes(), "the next call goes on"


def test_a_folder_without_pictures_is_no_camera(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="holds no picture"):
        open_camera(str(tmp_path))


STALE = SHARP // 2
"""What the driver has kept since the camera was last looked through."""


class Driver:
    """Stands in for OpenCV's: first some old frames, then BGR frames, some of them missing."""

    def __init__(self, *frames: np.ndarray | None, opens: bool = True) -> None:
        self.given, self.opens, self.settings = [STALE] * 5 + list(frames), opens, {}
        self.released = False

    def __call__(self, number: int) -> Driver:
        self.number = number
        return self

    def isOpened(self) -> bool:  # noqa: N802
        return self.opens

    def set(self, what: int, value: float) -> bool:
        self.settings[what] = value
        return True

    def get(self, what: int) -> float:
        return 120.0 if what == cv2.CAP_PROP_FOCUS else 0.0

    def grab(self) -> bool:
        self.given.pop(0)
        return True

    def read(self) -> tuple[bool, Any]:
        frame = self.given.pop(0) if self.given else None
        return (False, None) if frame is None else (True, frame[..., ::-1].copy())

    def release(self) -> None:
        self.released = True


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("capture.camera.webcam._SETTLE_S", 0.0)
    monkeypatch.setattr("capture.camera.webcam.WAIT_S", 0.1)


@pytest.mark.usefixtures("quick")
def test_a_webcams_frame_says_whose_it_is_and_how_it_was_focused() -> None:
    driver = Driver(None, blurred(2), SHARP)
    camera = Webcam(Device(2, "Bench eye 4K"), driver)
    shot = take(camera, seconds=0)
    camera.close()
    assert (driver.number, driver.released) == (2, True)
    photo = load_photo(shot.data)
    assert np.array_equal(photo.rgb, blurred(2)), "lossless, and red is red"
    assert (photo.camera_model, photo.focus) == ("Bench eye 4K", "focus 120")
    assert photo.captured is not None
    assert shot.media_type == "image/png"


@pytest.mark.usefixtures("quick")
def test_a_camera_that_stops_is_said() -> None:
    with pytest.raises(EnvironmentFault, match="stopped giving pictures"):
        take(Webcam(Device(0, "Bench eye"), Driver(SHARP)))
    with pytest.raises(EnvironmentFault, match="cannot be opened"):
        Webcam(Device(0, "Bench eye"), Driver(opens=False))


def test_a_source_without_frames_is_said() -> None:
    class Nothing:
        name = "nothing"

        def frames(self) -> Any:
            return iter(())

        def close(self) -> None:
            pass

    with pytest.raises(EnvironmentFault, match="gives no picture"):
        take(Nothing())


def test_cameras_by_name_and_number(tmp_path: Path) -> None:
    for node, name, index in (
        ("video0", "Front camera", 0),
        ("video1", "Front camera", 1),
        ("video2", "Bench eye 4K", 0),
        ("video10", "Bench eye 8K", 0),
    ):
        (tmp_path / node).mkdir()
        (tmp_path / node / "name").write_text(name + "\n")
        (tmp_path / node / "index").write_text(f"{index}\n")
    known = devices(tmp_path)
    assert [one.number for one in known] == [0, 2, 10]
    assert pick("4k", known) == Device(2, "Bench eye 4K")
    assert pick("10", known) == Device(10, "Bench eye 8K")
    assert pick("7", known).number == 7
    with pytest.raises(UsageError, match="several cameras fit"):
        pick("bench eye", known)
    with pytest.raises(UsageError, match=r"no camera of that name; this machine has 0: Front camera; 2"):
        pick("microscope", known)


def test_frames_are_plain_values() -> None:
    shot = take(_Once(SHARP), burst=2)
    assert Image.open(io.BytesIO(shot.data)).size == (320, 240)
    assert shot.name.endswith(".png")


class _Once:
    name = "once"

    def __init__(self, rgb: np.ndarray) -> None:
        self.rgb = rgb

    def frames(self) -> Any:
        from datetime import datetime

        yield Frame(self.rgb, datetime.now().astimezone(), 0.0)

    def close(self) -> None:
        pass
