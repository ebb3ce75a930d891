"""Clips and pictures of a record, as a page can carry them."""

from __future__ import annotations

import io
import warnings
import wave
from base64 import b64encode
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from capture.errors import CaptureError

if TYPE_CHECKING:
    from capture.record import MediaRef, Record

IMAGE_TYPES = frozenset({"image/jpeg", "image/png", "image/webp"})
SOUND_TYPES = frozenset({"audio/wav", "audio/x-wav", "audio/flac", "audio/ogg", "audio/mpeg"})

LONGEST_SIDE = 1600
"""Pictures are reduced to this many pixels on the longer side; the record keeps the original."""

_PIXELS = 80_000_000


@dataclass(frozen=True)
class Shown:
    """A medium as the page shows it.

    ``url`` is None when it cannot be shown, and ``note`` says why; ``note`` also says when a picture was reduced.
    ``seconds`` is a clip's length where known, ``width`` and ``height`` those of the shown picture; ``removed``: it is
    gone on purpose.
    """

    ref: MediaRef
    url: str | None
    note: str = ""
    seconds: float | None = None
    width: int | None = None
    height: int | None = None
    removed: bool = False


class Gallery:
    """Turns references into what a page can show; the same reference is read once.

    Args:
        record: where the media are.
        inline: carry them inside the page.
        removed: files removed on purpose, by SHA-256, each with a sentence that says so.
    """

    def __init__(self, record: Record, *, inline: bool, removed: Mapping[str, str] | None = None) -> None:
        self._record = record
        self._removed = removed or {}
        self._inline = inline
        self._known: dict[MediaRef, Shown] = {}

    @property
    def unshown(self) -> tuple[Shown, ...]:
        """What could not be shown so far, except what was removed on purpose."""
        return tuple(shown for shown in self._known.values() if shown.url is None and not shown.removed)

    def show(self, ref: MediaRef) -> Shown:
        """The medium as a data URI, or as a path relative to the record's folder. Never raises: a missing, changed or
        unreadable medium is shown as such."""
        if ref not in self._known:
            self._known[ref] = self._make(ref)
        return self._known[ref]

    def _why(self, ref: MediaRef) -> str:
        """Why a medium cannot be read, without the path on this machine: the page may go anywhere."""
        if ref.sha256 in self._removed:
            return self._removed[ref.sha256]
        try:
            there = self._record.media_path(ref.sha256).exists()
        except CaptureError:
            return "its SHA-256 is none; verify the record"
        if there:
            return "the file is not what it was when it was recorded; put it back from a copy of the record"
        return "the file is missing from the record; put it back from a copy"

    def _make(self, ref: MediaRef) -> Shown:
        try:
            content = self._record.read_media(ref.sha256)
        except CaptureError:
            return Shown(ref, None, self._why(ref), removed=ref.sha256 in self._removed)
        path = f"media/{ref.sha256[:2]}/{ref.sha256}"
        if ref.media_type in SOUND_TYPES:
            url = _data_uri(content, ref.media_type) if self._inline else path
            return Shown(ref, url, seconds=_seconds(content))
        if ref.media_type in IMAGE_TYPES:
            return _picture(ref, content, None if self._inline else path)
        return Shown(ref, None, "a file of this kind is not shown here; it is in the record")


def _data_uri(content: bytes, media_type: str) -> str:
    return f"data:{media_type};base64,{b64encode(content).decode()}"


def _seconds(content: bytes) -> float | None:
    try:
        with wave.open(io.BytesIO(content)) as sound:
            return float(sound.getnframes() / sound.getframerate())
    except (wave.Error, EOFError, ZeroDivisionError):
        return None


def _picture(ref: MediaRef, content: bytes, path: str | None) -> Shown:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return _opened(ref, content, path)


def _opened(ref: MediaRef, content: bytes, path: str | None) -> Shown:
    from PIL import Image, ImageOps

    try:
        with Image.open(io.BytesIO(content), formats=("JPEG", "PNG", "WEBP")) as picture:
            width, height = picture.size
            if width * height > _PIXELS:
                return Shown(ref, None, f"{width} x {height} pixels are too many to be shown; it is in the record")
            upright = ImageOps.exif_transpose(picture)
            if path is not None:
                return Shown(ref, path, width=upright.width, height=upright.height)
            if max(upright.size) <= LONGEST_SIDE:
                url = _data_uri(content, ref.media_type)
                return Shown(ref, url, width=upright.width, height=upright.height)
            upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
            out = io.BytesIO()
            upright.convert("RGB").save(out, "JPEG", quality=85)
    except (OSError, ValueError, SyntaxError, Warning, Image.DecompressionBombError) as error:
        return Shown(ref, None, f"it cannot be read as a picture ({error}); it is in the record as it came")
    note = f"reduced from {width} x {height} pixels; the original is in the record"
    return Shown(ref, _data_uri(out.getvalue(), "image/jpeg"), note, width=upright.width, height=upright.height)
