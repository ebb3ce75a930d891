"""Which calibration belongs to a picture; turned and scaled cameras; what is said when the camera was changed."""

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.vision.render import World, setup_table
from vision import Camera, Flag, Photo, Refusal, Setup, SetupError, load_setup, setup_from_mapping
from vision.cameras import BREATHING, Choice, choose, differences, scaled, turned
from vision.optics import distort
from vision.setups import camera_from_mapping, camera_to_mapping

COV = np.diag([4.0, 5.0, 1.0, 2.0, 1e-4, 1e-4, 1e-6, 2e-6, 1e-4])
LENS = Camera(
    np.array([[1500.0, 0, 655], [0, 1490, 470], [0, 0, 1]]),
    np.array([-0.1, 0.02, 0.001, -0.002, 0.003]),
    (1280, 960),
    "phone, wide",
    COV,
    model="Phone 7",
    lens="wide 1.8",
    focal_length_mm=4.2,
    zoom=1.0,
    focus="0.25 m",
    turn=0,
)
TELE = replace(LENS, name="phone, tele", lens="tele 2.4", focal_length_mm=9.0)
PHOTO = Photo(np.zeros((960, 1280, 3), np.uint8), "", None, "Phone 7", 4.2, "wide 1.8", 1.0, "0.25 m", 26, 0)


def setup(*cameras: Camera) -> Setup:
    made = setup_from_mapping(setup_table(World()))
    return replace(made, camera=cameras[0], others=cameras[1:])


def chosen(photo: Photo, *cameras: Camera) -> Choice:
    got = choose(photo, setup(*cameras))
    assert isinstance(got, Choice), got.sentence
    return got


def test_the_picture_chooses_its_camera() -> None:
    tele = replace(PHOTO, lens="tele 2.4", focal_length_mm=9.0)
    for order in ((LENS, TELE), (TELE, LENS)):
        assert chosen(PHOTO, *order).camera.name == "phone, wide"
        assert chosen(tele, *order).camera.name == "phone, tele"
        assert chosen(PHOTO, *order).flags == ()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"camera_model": "Phone 8"}, "The camera was 'Phone 8', the calibration is of 'Phone 7'"),
        ({"lens": "macro"}, "The lens was 'macro'"),
        ({"focal_length_mm": 5.1}, "The focal length was 5.1 mm, calibrated was 4.2 mm"),
        ({"zoom": 2.0}, "The digital zoom was 2"),
        ({"rgb": np.zeros((720, 1280, 3), np.uint8)}, "The picture has 1280 by 720 pixels"),
    ],
)
def test_another_camera_is_refused_with_what_is_other(change: dict, says: str) -> None:
    got = choose(replace(PHOTO, **change), setup(LENS))
    assert isinstance(got, Refusal)
    assert got.reason == "camera_unknown"
    assert says in got.sentence


def test_what_is_not_told_is_not_held_against_it() -> None:
    bare = Photo(PHOTO.rgb, "")
    assert chosen(bare, LENS).flags == ()
    assert chosen(PHOTO, Camera(LENS.matrix, LENS.distortion, LENS.image_size)).flags == ()
    got = choose(bare, setup(LENS, TELE))
    assert isinstance(got, Refusal)
    assert "phone, tele, phone, wide. Name it" in got.sentence


def test_the_calibration_at_the_same_focus_is_preferred_and_another_is_said() -> None:
    near = replace(LENS, name="near", focus="0.10 m")
    assert chosen(replace(PHOTO, focus="0.10 m"), LENS, near).camera.name == "near"
    got = chosen(replace(PHOTO, focus="0.40 m"), LENS)
    assert [f.id for f in got.flags] == ["other_focus"]
    assert got.camera.covariance is not None
    more = got.camera.covariance - COV
    assert np.sqrt(more[0, 0]) == pytest.approx(BREATHING * 1500)
    assert more[0, 1] == pytest.approx(np.sqrt(more[0, 0] * more[1, 1])), "both directions alike"


def test_another_resolution_is_the_same_field_and_said() -> None:
    got = chosen(replace(PHOTO, rgb=np.zeros((480, 640, 3), np.uint8)), LENS)
    assert isinstance(got.flags[0], Flag)
    assert got.flags[0].id == "other_resolution"
    assert got.camera.image_size == (640, 480)


def points() -> np.ndarray:
    return np.random.default_rng(2).uniform(-0.3, 0.3, (50, 2))


def test_a_scaled_camera_sees_the_scaled_picture() -> None:
    """A point between pixels stays where it is in the picture: (x + 1/2) grows by the factor."""
    half = scaled(LENS, (640, 480))
    assert np.allclose(distort(points(), half) + 0.5, (distort(points(), LENS) + 0.5) / 2)
    assert half.covariance is not None
    assert half.covariance[0, 0] == 1.0


@pytest.mark.parametrize("quarters", [1, 2, 3, 4])
def test_a_turned_camera_sees_the_turned_picture(quarters: int) -> None:
    """Against numpy.rot90, clockwise, of pixel positions; OpenCV projects."""
    px = distort(points(), LENS)
    normalised = points()
    for k in range(quarters):
        high = (960, 1280)[k % 2]
        px = np.stack([high - 1 - px[:, 1], px[:, 0]], 1)
        normalised = np.stack([-normalised[:, 1], normalised[:, 0]], 1)
    camera = turned(LENS, quarters)
    three = np.concatenate([normalised, np.ones((50, 1))], 1)
    seen, _ = cv2.projectPoints(three, np.zeros(3), np.zeros(3), camera.matrix, camera.distortion)
    assert np.allclose(seen[:, 0], px, atol=1e-9)
    assert camera.covariance is not None
    assert np.allclose(np.linalg.eigvalsh(camera.covariance), np.linalg.eigvalsh(COV))


def test_upright_and_lying_pictures_of_one_camera() -> None:
    portrait = replace(PHOTO, rgb=np.zeros((1280, 960, 3), np.uint8), turn=1)
    assert differences(portrait, LENS) == []
    got = chosen(portrait, LENS)
    assert got.camera.image_size == (960, 1280)
    assert np.allclose(got.camera.matrix, turned(LENS, 1).matrix)
    assert got.flags == ()
    upside = chosen(replace(PHOTO, turn=2), LENS).camera
    assert upside.matrix[0, 2] == 1279 - 655
    assert chosen(replace(PHOTO, turn=None), LENS).camera is LENS


def test_a_camera_goes_through_its_file(tmp_path: Path) -> None:
    again = camera_from_mapping(json.loads(json.dumps(camera_to_mapping(LENS))))
    assert (again.lens, again.focal_length_mm, again.zoom, again.focus, again.turn) == (
        "wide 1.8",
        4.2,
        1.0,
        "0.25 m",
        0,
    )
    with pytest.raises(SetupError, match=r"camera\.zoom"):
        camera_from_mapping({**camera_to_mapping(LENS), "zoom": "two"})


def test_a_setup_with_a_folder_of_cameras(tmp_path: Path) -> None:
    (tmp_path / "cameras").mkdir()
    for number, camera in enumerate((TELE, LENS)):
        (tmp_path / "cameras" / f"{number}.json").write_text(json.dumps(camera_to_mapping(camera)))
    table = {**setup_table(World()), "camera": "cameras"}
    (tmp_path / "s.json").write_text(json.dumps(table))
    made = load_setup(tmp_path / "s.json")
    assert [c.name for c in (made.camera, *made.others)] == ["phone, tele", "phone, wide"]
    named = load_setup(tmp_path / "s.json", camera="phone, wide")
    assert (named.camera.name, named.others) == ("phone, wide", ())
    assert load_setup(tmp_path / "s.json", camera=tmp_path / "cameras" / "1.json").camera.name == "phone, wide"
    with pytest.raises(SetupError, match="has no camera 'macro'; there is phone, tele, phone, wide"):
        load_setup(tmp_path / "s.json", camera="macro")
    (tmp_path / "empty").mkdir()
    (tmp_path / "s.json").write_text(json.dumps({**table, "camera": "empty"}))
    with pytest.raises(SetupError, match="holds no camera file"):
        load_setup(tmp_path / "s.json")
