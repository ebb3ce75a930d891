"""When a file was captured, and how that is known."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

_FORMATS = ("JPEG", "PNG", "WEBP")
TimeSource = Literal["job file", "file name", "picture data", "file date"]

_STAMP = re.compile(
    r"(?<!\d)(\d{4})-?(\d{2})-?(\d{2})[T_ -]"
    r"(\d{2})[-:h]?(\d{2})[-:m]?(\d{2})(?:[.,](\d{1,6}))?(Z|[+-]\d{2}:?\d{2})?(?!\d)"
)


@dataclass(frozen=True)
class CaptureTime:
    """An aware moment and where it was read."""

    at: datetime
    source: TimeSource


def from_name(name: str) -> datetime | None:
    """Read a time stamp out of a file name.

    Args:
        name: such as ``20260312T091500+0100-side.jpg`` or ``2026-03-12_09-15-00.wav`` (ISO 8601, basic or extended,
            as far as file names allow). Without an offset the machine's own zone is meant.

    Returns:
        The aware time, or None when the name holds none that exists.
    """
    match = _STAMP.search(name)
    if match is None:
        return None
    year, month, day, hour, minute, second, fraction, zone = match.groups()
    text = f"{year}-{month}-{day}T{hour}:{minute}:{second}.{(fraction or '0').ljust(6, '0')}{zone or ''}"
    try:
        return _aware(datetime.fromisoformat(text))
    except (ValueError, OverflowError):
        return None


def from_picture(data: bytes) -> datetime | None:
    """Read the capture time a camera wrote into a picture (EXIF 2.32 tags DateTimeOriginal, OffsetTimeOriginal).

    Args:
        data: the whole picture file.

    Returns:
        The aware time (the machine's zone when the camera wrote no offset), or None.
    """
    import warnings
    from io import BytesIO

    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(BytesIO(data), formats=_FORMATS) as picture:
                tags = picture.getexif().get_ifd(0x8769)
        stamp = datetime.strptime(str(tags[36867]).strip(), "%Y:%m:%d %H:%M:%S")
        offset = str(tags.get(36881, "")).strip()
        return _aware(datetime.fromisoformat(stamp.isoformat() + offset))
    except Exception:  # a damaged picture has no time of its own; that it is damaged is said when it is measured
        return None


def capture_time(path: Path, said: datetime | None = None) -> CaptureTime:
    """Decide when ``path`` was captured: as said in the job file, by its name, by the camera, else by its date.

    Args:
        path: an existing file.
        said: what the job file says, if anything; without an offset the machine's own zone is meant.
    """
    if said is not None:
        return CaptureTime(_aware(said), "job file")
    named = from_name(path.name)
    if named is not None:
        return CaptureTime(named, "file name")
    if path.suffix.lower() in {".jpg", ".jpeg", ".png", ".webp"}:
        taken = from_picture(path.read_bytes())
        if taken is not None:
            return CaptureTime(taken, "picture data")
    return CaptureTime(datetime.fromtimestamp(path.stat().st_mtime).astimezone(), "file date")


def _aware(moment: datetime) -> datetime:
    """The moment with its own offset; in the machine's zone when it has none."""
    return moment if moment.tzinfo is not None else moment.astimezone()
