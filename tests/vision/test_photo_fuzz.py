"""Damaged picture files: a sample of the benchmark's (``tests/bench/photo_fuzz.py`` runs ten thousand)."""

import io

import numpy as np
import pytest
from PIL import Image

from tests.bench.photo_fuzz import CHANGES, mutated, read, seeds
from vision import PhotoError, load_photo


def encoded(image: Image.Image, kind: str, **more: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **more)
    return out.getvalue()


def test_only_our_own_errors_come_out() -> None:
    seen = set()
    for number in range(225):
        kind, change, data = mutated(number, seed=77)
        seen.add(change)
        assert read(data, measured=False) in {"read", "refused"}, (number, kind, change)
    assert seen == set(CHANGES)


def test_good_files_are_read_and_others_are_named() -> None:
    for kind, data in seeds().items():
        taken = kind.split()[0] in {"JPEG", "PNG", "WebP"} and " x " not in kind
        assert read(data, measured=False) == ("read" if taken else "refused"), kind
        if kind in {"TIFF", "GIF", "BMP", "HEIC", "AVIF"}:
            with pytest.raises(PhotoError, match=rf"is a {kind}.* file; set the camera to JPEG"):
                load_photo(data)


def test_an_empty_and_a_cut_file_say_different_things() -> None:
    with pytest.raises(PhotoError, match="is empty"):
        load_photo(b"")
    with pytest.raises(PhotoError, match="is damaged"):
        load_photo(seeds()["JPEG"][:3000])


def test_sixteen_bits_are_scaled_not_clipped() -> None:
    ramp = np.tile(np.linspace(0, 65535, 100).astype(np.uint16), (80, 1))
    got = load_photo(encoded(Image.fromarray(ramp), "PNG")).rgb
    assert np.abs(got[0, :, 0].astype(float) - np.linspace(0, 255, 100)).max() <= 1
    assert (got == got[..., :1]).all()


def test_what_is_transparent_is_white() -> None:
    clear = Image.new("RGBA", (80, 70), (10, 20, 30, 0))
    clear.paste((10, 20, 30, 255), (0, 0, 40, 70))
    got = load_photo(encoded(clear, "PNG")).rgb
    assert got[5, 5].tolist() == [10, 20, 30]
    assert got[5, 75].tolist() == [255, 255, 255]


def test_a_jpeg_with_more_pictures_behind_it_is_its_first() -> None:
    from capture.bench.page.uploads import picture_type

    data = seeds()["JPEG with more behind"]
    assert load_photo(data).size == (640, 480)
    assert picture_type(data) == "image/jpeg"


def test_impossible_exif_numbers_are_left_out() -> None:
    exif = Image.Exif()
    sub = exif.get_ifd(0x8769)
    sub[0x920A], sub[0x9003] = (1, 0), "0000:00:00 00:00:00"
    exif[0x0112] = 77
    got = load_photo(encoded(Image.new("RGB", (80, 70), (200, 0, 0)), "JPEG", exif=exif))
    assert got.focal_length_mm is None
    assert got.size == (80, 70)
