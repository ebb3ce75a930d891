"""Reads photographs: three formats, size capped, 8 bits, rotated upright, the original bytes hashed.

What lies in the file is believed as little as possible: the size is asked for before anything is decoded, the decoded
picture exists once, and damage anywhere comes out as one sentence.
"""

from __future__ import annotations

import hashlib
import io
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from vision.errors import PhotoError
from vision.exif import Taken, orientation, taken
from vision.model import Photo

if TYPE_CHECKING:
    from PIL import Image

MAX_BYTES = 64 * 1024 * 1024
MAX_PIXELS = 64_000_000
_MOVING, _MOVING_FORMATS = 2, ("PNG", "WEBP")
"""A moving picture is decoded into several canvases: it may have so many times fewer pixels. (A JPEG file with several
pictures, as cameras and telephones write them, is not: each of them stands alone.)"""
MIN_SIDE = 64
_FORMATS = ("JPEG", "PNG", "WEBP")
_BAND = 256
_WAYS = {
    2: "FLIP_LEFT_RIGHT",
    3: "ROTATE_180",
    4: "FLIP_TOP_BOTTOM",
    5: "TRANSPOSE",
    6: "ROTATE_270",
    7: "TRANSVERSE",
    8: "ROTATE_90",
}
"""EXIF 2.32, 4.6.4, orientation: what turns the stored picture upright."""


def load_photo(source: str | Path | bytes) -> Photo:
    """Read one picture.

    Args:
        source: a path, or the file's bytes.

    Returns:
        the picture, RGB, turned upright as its EXIF says.

    Raises:
        PhotoError: not there, too large, not JPEG, PNG or WebP, or damaged.
    """
    data, where = _bytes(source)
    if len(data) > MAX_BYTES:
        raise PhotoError(
            f"{where}: {len(data) // 1_000_000} MB is more than a photograph may have "
            f"({MAX_BYTES // 1_000_000} MB); save it smaller"
        )
    try:
        rgb, facts = _decoded(data, where)
    except PhotoError:
        raise
    except Exception as error:
        raise PhotoError(f"{where}: {_why(data, error)}") from error
    digest = hashlib.sha256(data).hexdigest()
    return Photo(
        rgb,
        digest,
        facts.at,
        facts.model,
        facts.focal_length_mm,
        facts.lens,
        facts.zoom,
        facts.focus,
        facts.focal_35mm,
        facts.turn,
    )


def _decoded(data: bytes, where: str) -> tuple[npt.NDArray[np.uint8], Taken]:
    from PIL import Image

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with Image.open(io.BytesIO(data), formats=_FORMATS) as image:
            wide, high = image.size
            moving = image.format in _MOVING_FORMATS and getattr(image, "is_animated", False)
            most = MAX_PIXELS // (_MOVING if moving else 1)
            if wide * high > most:
                raise PhotoError(
                    f"{where}: {wide} x {high} pixels are too many "
                    f"(at most {most // 1_000_000} million); take it at a lower resolution"
                )
            if min(wide, high) < MIN_SIDE:
                raise PhotoError(f"{where}: only {wide} x {high} pixels; give the full photograph")
            facts, way = taken(image), _WAYS.get(orientation(image) or 1)
            image.load()
            return _upright(image if way is None else image.transpose(Image.Transpose[way])), facts


def _upright(image: Image.Image) -> npt.NDArray[np.uint8]:
    """The picture's values (H, W, 3), a band at a time, so that no second whole copy is made."""
    wide, high = image.size
    out = np.empty((high, wide, 3), np.uint8)
    for top in range(0, high, _BAND):
        bottom = min(top + _BAND, high)
        out[top:bottom] = _values(image.crop((0, top, wide, bottom)))
    return out


def _values(part: Image.Image) -> npt.NDArray[np.uint8]:
    from PIL import Image

    if part.mode in {"I;16", "I;16B", "I;16L", "I", "F"}:  # 16 bits a pixel: Pillow would clip them, not scale them
        grey = np.clip(np.asarray(part, np.float64) / 257 + 0.5, 0, 255).astype(np.uint8)
        return np.repeat(grey[..., None], 3, axis=2)
    if part.has_transparency_data:
        clear = part.convert("RGBA")
        part = Image.alpha_composite(Image.new("RGBA", part.size, (255, 255, 255, 255)), clear)
    return np.asarray(part if part.mode == "RGB" else part.convert("RGB"))


def _why(data: bytes, error: Exception) -> str:
    """What is wrong with a file that could not be read, and what to do."""
    other = _other_kind(data)
    if other is not None:
        return f"is a {other} file; set the camera to JPEG, or export the picture as JPEG or PNG, and give that"
    if not data:
        return "is empty; wait until the camera has written it, or take it again"
    known = data[:2] == b"\xff\xd8" or data[:4] == b"\x89PNG" or (data[:4] == b"RIFF" and data[8:12] == b"WEBP")
    if not known:
        return "cannot be read as a JPEG, PNG or WebP picture; take or export it again"
    if isinstance(error, MemoryError):
        return "needs more memory than there is; take it at a lower resolution"
    if "bomb" in type(error).__name__.lower():
        return f"has too many pixels (at most {MAX_PIXELS // 1_000_000} million); take it at a lower resolution"
    return "is damaged and cannot be read as a picture; copy it from the camera again, or take it again"


def _other_kind(data: bytes) -> str | None:
    """The kind of a picture file that is not taken, by its first bytes."""
    if data[4:8] == b"ftyp":
        brand = data[8:12]
        return {b"avif": "AVIF", b"avis": "AVIF"}.get(brand, "HEIC" if brand[:2] in (b"he", b"mi") else "video")
    for begin, name in (
        (b"II*\0", "TIFF or raw"),
        (b"MM\0*", "TIFF or raw"),
        (b"GIF8", "GIF"),
        (b"BM", "BMP"),
        (b"%PDF", "PDF"),
        (b"\xff\x0a", "JPEG XL"),
        (b"\0\0\0\x0cJXL ", "JPEG XL"),
        (b"\0\0\0\x0cjP  ", "JPEG 2000"),
    ):
        if data.startswith(begin):
            return name
    return None


def _bytes(source: str | Path | bytes) -> tuple[bytes, str]:
    if isinstance(source, bytes):
        return source, "the picture"
    path = Path(source)
    try:
        with path.open("rb") as file:
            return file.read(MAX_BYTES + 1), str(path)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise PhotoError(f"{path}: cannot be opened ({reason}); check the path") from error
