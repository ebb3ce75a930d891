"""Reading photographs: formats, rotation, hashes, damage."""

import contextlib
import hashlib
import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from vision import PhotoError, load_photo
from vision import photo as photo_module


def encoded(image: Image.Image, kind: str = "JPEG", **more: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **more)
    return out.getvalue()


def picture() -> Image.Image:
    a = np.zeros((80, 120, 3), np.uint8)
    a[:20, :30] = 255  # the upper left corner is white
    return Image.fromarray(a)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_formats(kind: str) -> None:
    data = encoded(picture(), kind)
    got = load_photo(data)
    assert got.size == (120, 80)
    assert got.sha256 == hashlib.sha256(data).hexdigest()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_exif_rotation_is_applied_once(orientation: int, tmp_path: Path) -> None:
    turned = {
        1: None,
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }[orientation]
    stored = picture() if turned is None else picture().transpose(turned)
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / "a.png"
    path.write_bytes(encoded(stored, "PNG", exif=exif))
    got = load_photo(path)
    assert got.size == (120, 80)
    assert got.rgb[5, 5].min() == 255
    assert got.rgb[70, 110].max() == 0


def test_capture_time_and_camera() -> None:
    exif = Image.Exif()
    exif[0x0110] = "Bench Cam"
    exif.get_ifd(0x8769)[0x9003] = "2026:10:12 09:39:25"
    exif.get_ifd(0x8769)[0x9011] = "+02:00"
    got = load_photo(encoded(picture(), exif=exif))
    assert (got.captured, got.camera_model) == ("2026-10-12T09:39:25+02:00", "Bench Cam")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"GIF89a" + b"\0" * 40,
        b"\xff\xd8\xff\xe0" + b"\0" * 100,
        encoded(picture())[:200],
        encoded(picture(), "BMP"),
        encoded(picture().resize((20, 20)), "PNG"),
    ],
)
def test_what_is_no_photograph_is_refused_with_a_sentence(data: bytes) -> None:
    with pytest.raises(PhotoError, match=r"the picture: .+;"):
        load_photo(data)


def test_a_bomb_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photo_module, "MAX_PIXELS", 5000)
    with pytest.raises(PhotoError, match="too many"):
        load_photo(encoded(picture(), "PNG"))


def test_a_moving_picture_may_have_half_as_many_pixels(monkeypatch: pytest.MonkeyPatch) -> None:
    still, both = picture(), {"save_all": True, "append_images": [Image.new("RGB", picture().size)]}
    monkeypatch.setattr(photo_module, "MAX_PIXELS", 80 * 120)
    for kind in ("PNG", "WEBP"):
        assert load_photo(encoded(still, kind)).rgb.shape == (80, 120, 3)
        with pytest.raises(PhotoError, match="120 x 80 pixels are too many"):
            load_photo(encoded(still, kind, **both))
    assert load_photo(encoded(still, "MPO", **both)).rgb.shape == (80, 120, 3), (
        "a JPEG with several pictures stands still"
    )
    monkeypatch.setattr(photo_module, "MAX_PIXELS", 2 * 80 * 120)
    assert load_photo(encoded(still, "WEBP", **both)).rgb.shape == (80, 120, 3)


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="check the path"):
        load_photo(tmp_path / "none.jpg")


def test_mutated_files_give_only_our_errors() -> None:
    g = np.random.default_rng(7)
    for kind in ("JPEG", "PNG", "WEBP"):
        good = encoded(picture(), kind)
        for _ in range(150):
            data = bytearray(good)
            for _ in range(int(g.integers(1, 8))):
                data[int(g.integers(len(data)))] = int(g.integers(256))
            if g.random() < 0.3:
                data = data[: int(g.integers(len(data)))]
            with contextlib.suppress(PhotoError):
                load_photo(bytes(data))
