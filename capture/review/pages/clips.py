"""A job's clips and pictures as the review pages point to them, and a clip's outline as it is drawn."""

from __future__ import annotations

import io
import wave
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from capture.review.inline import IMAGE_TYPES, SOUND_TYPES, Gallery, Shown

if TYPE_CHECKING:
    from capture.record import MediaRef, Record

SERVED = IMAGE_TYPES | SOUND_TYPES
"""Types that a page may ask for; everything else of a record stays where it is."""

COLUMNS, WIDTH, HEIGHT = 160, 320, 48
_REMEMBERED = 4000
_QUIET = 600.0
"""Sound whose loudest sample is below this is drawn as quiet as it is."""


@dataclass(frozen=True)
class Known:
    """What was found out about a file once: how it is shown, and a clip's outline as the path of a drawing."""

    shown: Shown
    outline: str


class Shelf:
    """Remembers what is known of files by their content's hash; the files themselves are checked as they are sent."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, str, str], Known] = {}

    def find(self, ref: MediaRef) -> Known | None:
        """What is known of a file."""
        return self._known.get((ref.sha256, ref.kind, ref.media_type))

    def put(self, ref: MediaRef, known: Known) -> Known:
        """Remember a file that can be shown; others are looked at again."""
        if known.shown.url is not None:
            if len(self._known) >= _REMEMBERED:
                self._known.clear()
            self._known[ref.sha256, ref.kind, ref.media_type] = known
        return known


class LinkedGallery(Gallery):
    """Shows media by their addresses on the review pages.

    Args:
        record: where the media are.
        shelf: what is known of them already.
        job: whose media they are.
        removed: as for ``Gallery``.
    """

    def __init__(self, record: Record, shelf: Shelf, job: str, removed: Mapping[str, str]) -> None:
        super().__init__(record, inline=False, removed=removed)
        self._shelf, self._job = shelf, job

    def outline(self, ref: MediaRef) -> str:
        """A clip's outline, see ``waveform``; empty when it cannot be read."""
        known = self._shelf.find(ref)
        return known.outline if known is not None else ""

    def _make(self, ref: MediaRef) -> Shown:
        known = self._shelf.find(ref)
        if known is None:
            shown = super()._make(ref)
            sound = shown.url is not None and ref.media_type in SOUND_TYPES
            known = self._shelf.put(ref, Known(shown, _outline(self._record.read_media(ref.sha256)) if sound else ""))
        if known.shown.url is None:
            return known.shown
        return replace(known.shown, url=f"/review/job/{self._job}/media/{ref.sha256}")


def _outline(content: bytes) -> str:
    """The loudness of ``COLUMNS`` pieces of a clip, as upright lines about the middle."""
    step, middle = WIDTH / COLUMNS, HEIGHT / 2
    halves = [max(0.6, peak * (middle - 1)) for peak in peaks(content)]
    return "".join(
        f"M{(column + 0.5) * step:.0f} {middle - half:.1f}V{middle + half:.1f}" for column, half in enumerate(halves)
    )


def peaks(content: bytes) -> list[float]:
    """The loudest sample of each of ``COLUMNS`` pieces of a WAV file, 0 to 1; nothing when it is none of ours."""
    try:
        with wave.open(io.BytesIO(content)) as sound:
            if sound.getsampwidth() != 2:
                return []
            samples = np.frombuffer(sound.readframes(sound.getnframes()), "<i2")[:: sound.getnchannels()]
    except (wave.Error, EOFError, ValueError):
        return []
    pieces = np.array_split(np.abs(samples.astype(np.float64)), COLUMNS)
    loud = np.array([piece.max() if piece.size else 0.0 for piece in pieces])
    return [float(value) for value in np.round(loud / max(float(loud.max()), _QUIET), 3)]


def waveform(outline: str, marks: Sequence[tuple[float, float]] = ()) -> Markup:
    """A clip drawn: its outline, and bands where words were heard with little confidence (shares of its length)."""
    bands = "".join(
        f'<rect class="wave-doubt" x="{WIDTH * begin:.1f}" y="0" width="{WIDTH * (end - begin):.1f}"'
        f' height="{HEIGHT}"/>'
        for begin, end in marks
    )
    return Markup(
        f'<svg class="wave" viewBox="0 0 {WIDTH} {HEIGHT}" preserveAspectRatio="none" aria-hidden="true">{bands}'
        f'<path class="wave-line" d="{outline}"/>'
        f'<line class="wave-now" x1="-5" y1="0" x2="-5" y2="{HEIGHT}"/></svg>'
    )
