"""What a camera wrote into its picture (EXIF 2.32): when, with which camera and lens, how zoomed and focused.

Nothing here fails: what is missing or makes no sense is None.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from PIL import Image

_SUB = 0x8769
_MODEL, _ORIENTATION, _DATE, _OFFSET = 0x0110, 0x0112, 0x9003, 0x9011
_FOCAL, _DISTANCE, _ZOOM, _FOCAL_35, _LENS, _COMMENT = 0x920A, 0x9206, 0xA404, 0xA405, 0xA434, 0x9286
_MOMENT = re.compile(r"(\d{4}):(\d\d):(\d\d) (\d\d):(\d\d):(\d\d)")
FOCUS_MARK = "focus "
"""What begins the user comment of pictures that this program took with a webcam: the position of the lens follows."""


@dataclass(frozen=True)
class Taken:
    """``at``: RFC 3339, with an offset when the camera wrote one; ``zoom``: digital zoom ratio, 1 for none; ``focus``:
    how the lens was focused, in words that can be compared; ``turn``: quarters clockwise to upright."""

    at: str | None = None
    model: str | None = None
    lens: str | None = None
    focal_length_mm: float | None = None
    zoom: float | None = None
    focus: str | None = None
    focal_35mm: float | None = None
    turn: int | None = None


def taken(image: Image.Image) -> Taken:
    """What the picture's EXIF tells."""
    try:
        exif = image.getexif()
        sub: dict[int, Any] = dict(exif.get_ifd(_SUB))
        model = _text(exif.get(_MODEL))
    except Exception:
        return Taken()
    return Taken(
        _moment(sub),
        model,
        _text(sub.get(_LENS)),
        _number(sub.get(_FOCAL)),
        _number(sub.get(_ZOOM)),
        _focus(sub),
        _number(sub.get(_FOCAL_35)),
        {1: 0, 6: 1, 3: 2, 8: 3}.get(orientation(image) or 0),
    )


def orientation(image: Image.Image) -> int | None:
    """How the stored picture lies, 1 (upright) to 8; None when nothing sensible is said."""
    try:
        value = image.getexif().get(_ORIENTATION)
    except Exception:
        return None
    return value if isinstance(value, int) and 1 <= value <= 8 else None


def webcam_exif(model: str, at: str, offset: str, focus: str | None) -> Image.Exif:
    """EXIF for a picture that this program took with a webcam.

    Args:
        model: the camera's name.
        at: ``2026:03:12 09:15:00``.
        offset: ``+01:00``.
        focus: position of the lens, as the driver tells it.
    """
    from PIL import Image

    exif = Image.Exif()
    exif[_MODEL] = model
    sub = exif.get_ifd(_SUB)
    sub[_DATE], sub[_OFFSET] = at, offset
    if focus is not None:
        sub[_COMMENT] = b"ASCII\0\0\0" + (FOCUS_MARK + focus).encode("ascii", "replace")
    return exif


def _text(value: Any) -> str | None:
    if not isinstance(value, str):
        return None
    cleaned = " ".join("".join(c if c.isprintable() else " " for c in value).split())[:80]
    return cleaned or None


def _number(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if math.isfinite(number) and number > 0 else None


def _moment(sub: dict[int, Any]) -> str | None:
    date, offset = sub.get(_DATE), sub.get(_OFFSET)
    found = _MOMENT.match(date) if isinstance(date, str) else None
    if found is None:
        return None
    y, mo, d, h, mi, s = found.groups()
    zone = offset if isinstance(offset, str) and re.fullmatch(r"[+-]\d\d:\d\d", offset) else ""
    return f"{y}-{mo}-{d}T{h}:{mi}:{s}{zone}"


def _focus(sub: dict[int, Any]) -> str | None:
    comment = sub.get(_COMMENT)
    if isinstance(comment, bytes) and comment.startswith(b"ASCII\0\0\0" + FOCUS_MARK.encode()):
        return _text(comment[8:].decode("ascii", "replace"))
    distance = _number(sub.get(_DISTANCE))
    return None if distance is None else f"{distance:.2f} m"
