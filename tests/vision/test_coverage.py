"""What is covered and what is missing, said and shown."""

import io

import numpy as np
import pytest
from PIL import Image

from tests.vision.boards import BOARD, POSES, SIZE, picture
from vision import CalibrationError, Photo
from vision.calibration import corners_of, how_taken
from vision.cameras import same_focus
from vision.coverage import Coverage, View, draw, view_of


def grid(left: float, top: float, right: float, bottom: float) -> np.ndarray:
    x, y = np.meshgrid(np.linspace(left, right, 12), np.linspace(top, bottom, 12))
    return np.stack([x.ravel() * 599, y.ravel() * 599], 1)


def covering(*views: tuple[np.ndarray, float]) -> Coverage:
    return Coverage((600, 600), tuple(View(px, tilt) for px, tilt in views))


def test_nothing_yet() -> None:
    assert Coverage((600, 400)).missing() == ("Hold the board before the camera, whole and in focus.",)


def test_the_missing_part_is_named() -> None:
    got = covering((grid(0, 0, 0.45, 1), 0.0), (grid(0, 0, 1, 0.45), 40.0)).missing()
    assert got == (
        "Bring the board into the lower right corner of the picture.",
        "8 more pictures, each from another side.",
    )
    left = covering(*[(grid(0, 0, 0.45, 1), 4.0 * k) for k in range(10)]).missing()
    assert left == ("Bring the board into the upper right corner, right edge and lower right corner of the picture.",)
    wide = covering(*[(grid(0, 0.2, 1, 0.8), 4.0 * k) for k in range(10)]).missing()
    assert wide[0].startswith("Bring the board into the upper left corner, upper edge, upper right corner, lower left")
    middle = covering(*[(grid(0.35, 0.35, 0.65, 0.65), 1.0)] * 10).missing()
    assert "upper left corner, upper edge, upper right corner, left edge" in middle[0]
    assert middle[1] == "Tilt the board by 30 to 40 degrees, once to every side."


def test_enough() -> None:
    assert covering(*[(grid(0, 0, 1, 1), 4.0 * k) for k in range(10)]).enough
    assert covering(*[(grid(0, 0, 1, 1), 4.0 * k) for k in range(9)]).missing() == (
        "1 more picture, from another side.",
    )


@pytest.mark.parametrize("pose", [POSES[0], POSES[4], POSES[7]])
def test_a_views_tilt(pose: tuple) -> None:
    px = corners_of(Photo(picture(*pose), ""), BOARD)
    assert len(px[0]) >= 12
    assert view_of(*px, SIZE).tilt_deg == pytest.approx(float(np.hypot(*pose[3])), abs=8)


def test_the_picture_shows_hatched_what_is_missing() -> None:
    coverage = covering((grid(0, 0, 0.5, 1), 0.0))
    image = np.asarray(Image.open(io.BytesIO(draw(coverage))).convert("RGB"), int)
    hatch = (np.abs(image - np.array([200, 90, 0])).max(2) < 60)[:960]
    assert hatch[:, 500:].mean() > 0.05
    assert hatch[:, :460].mean() < 0.01


def test_photographs_of_several_cameras_do_not_make_one() -> None:
    rgb = np.zeros((70, 90, 3), np.uint8)
    one = Photo(rgb, "", "2026-03-12T09:00:00", "Phone 7", 4.2, "wide", 1.0, "0.25 m", None, 0)
    two = Photo(rgb, "", "2026-03-12T09:05:00", "Phone 7", 9.0, "wide", 1.0, "0.27 m", None, 0)
    with pytest.raises(CalibrationError, match=r"differ in the focal length \(4.2, 9.0\)"):
        how_taken([one, two], "x")
    same = how_taken([one, Photo(rgb, "", None, "Phone 7", 4.2, "wide", 1.0, "0.27 m", None, 0)], "x")
    assert (same.model, same.lens, same.focal_length_mm, same.zoom, same.turn) == ("Phone 7", "wide", 4.2, 1.0, 0)
    assert same.focus == "0.25 m"
    assert same.calibrated == "2026-03-12T09:00:00"


def test_the_same_focus() -> None:
    assert same_focus("0.25 m", "0.27 m")
    assert not same_focus("0.10 m", "0.25 m")
    assert same_focus("focus 120", "focus 123")
    assert not same_focus("focus 120", "focus 160")
    assert not same_focus("focus 120", "0.25 m")
    assert same_focus("near", "near")
