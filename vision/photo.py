"""Reads photographs: three formats, size capped, rotated upright, the original bytes hashed."""

from __future__ import annotations

import hashlib
import io
import warnings
from pathlib import Path

import numpy as np

from vision.errors import PhotoError
from vision.model import Photo

MAX_BYTES = 64 * 1024 * 1024
MAX_PIXELS = 64_000_000
_FORMATS = ("JPEG", "PNG", "WEBP")
_EXIF_MODEL, _EXIF_DATE, _EXIF_SUBIFD, _EXIF_OFFSET, _EXIF_FOCAL = 0x0110, 0x9003, 0x8769, 0x9011, 0x920A


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
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=_FORMATS) as image:
                if image.width * image.height > MAX_PIXELS:
                    raise PhotoError(
                        f"{where}: {image.width} x {image.height} pixels are too many "
                        f"(at most {MAX_PIXELS // 1_000_000} million); take it at a lower resolution"
                    )
                captured, model, focal = _exif(image)
                upright = ImageOps.exif_transpose(image)
                rgb = np.asarray(upright.convert("RGB"), dtype=np.uint8)
    except PhotoError:
        raise
    except Exception as error:
        raise PhotoError(
            f"{where}: cannot be read as a JPEG, PNG or WebP picture ({type(error).__name__}); take or export it again"
        ) from error
    if min(rgb.shape[:2]) < 64:
        raise PhotoError(f"{where}: only {rgb.shape[1]} x {rgb.shape[0]} pixels; give the full photograph")
    return Photo(np.ascontiguousarray(rgb), hashlib.sha256(data).hexdigest(), captured, model, focal)


def _bytes(source: str | Path | bytes) -> tuple[bytes, str]:
    if isinstance(source, bytes):
        return source, "the picture"
    path = Path(source)
    try:
        with path.open("rb") as file:
            return file.read(MAX_BYTES + 1), str(path)
    except OSError as error:
        raise PhotoError(f"{path}: cannot be opened ({error.strerror}); check the path") from error


def _exif(image: object) -> tuple[str | None, str | None, float | None]:
    try:
        exif = image.getexif()  # type: ignore[attr-defined]
        sub = exif.get_ifd(_EXIF_SUBIFD)
        model = exif.get(_EXIF_MODEL)
        date, offset, focal = sub.get(_EXIF_DATE), sub.get(_EXIF_OFFSET), sub.get(_EXIF_FOCAL)
        stamp = None
        if isinstance(date, str) and len(date) >= 19:
            stamp = date[:10].replace(":", "-") + "T" + date[11:19]
            stamp += offset if isinstance(offset, str) and len(offset) == 6 else ""
        text = str(model).strip("\x00 ")[:80] if model else None
        return stamp, text or None, float(focal) if focal else None
    except Exception:
        return None, None, None
