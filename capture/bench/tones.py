"""The bench's sounds: three figures that differ in rhythm, pitch and length, so that they are told apart in noise.

``heard`` is one soft tick, ``stored`` two rising notes, ``warning`` three falling pulses with a rough edge.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from types import MappingProxyType
from typing import Any, Literal


@dataclass(frozen=True)
class Note:
    """One note: frequency in Hz, when it begins and how long it lasts in seconds, loudness 0 to 1, wave form."""

    hertz: float
    at_s: float
    lasts_s: float
    gain: float
    wave: Literal["sine", "triangle", "square"]


TONES: Mapping[str, tuple[Note, ...]] = MappingProxyType(
    {
        "heard": (Note(520.0, 0.0, 0.05, 0.25, "sine"),),
        "stored": (Note(660.0, 0.0, 0.09, 0.4, "triangle"), Note(990.0, 0.1, 0.14, 0.4, "triangle")),
        "warning": (
            Note(740.0, 0.0, 0.16, 0.3, "square"),
            Note(554.0, 0.22, 0.16, 0.3, "square"),
            Note(415.0, 0.44, 0.34, 0.3, "square"),
        ),
    }
)
"""Cue: its notes."""


def as_json() -> dict[str, list[dict[str, Any]]]:
    """The table as the page plays it."""
    return {cue: [asdict(note) for note in notes] for cue, notes in TONES.items()}
