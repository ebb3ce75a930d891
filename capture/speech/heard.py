"""What was heard, as frozen values: words with times and confidences, doubts, and the exact sound."""

from __future__ import annotations

import io
import wave
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np


@dataclass(frozen=True)
class Clip:
    """A stretch of sound: int16 mono samples, their rate in Hz, and where it begins in its source in seconds."""

    pcm: bytes
    rate: int
    start_s: float

    @property
    def seconds(self) -> float:
        """How long it lasts."""
        return len(self.pcm) / 2 / self.rate

    def wav_bytes(self) -> bytes:
        """As a WAV file."""
        out = io.BytesIO()
        with wave.open(out, "wb") as w:
            w.setnchannels(1)
            w.setsampwidth(2)
            w.setframerate(self.rate)
            w.writeframes(self.pcm)
        return out.getvalue()

    def flac_bytes(self) -> bytes:
        """As a FLAC file, which loses nothing."""
        import soundfile

        out = io.BytesIO()
        soundfile.write(out, np.frombuffer(self.pcm, "<i2"), self.rate, format="FLAC", subtype="PCM_16")
        return out.getvalue()


@dataclass(frozen=True)
class Word:
    """One word; times in seconds from the beginning of the source, confidence 0 to 1."""

    text: str
    start_s: float
    end_s: float
    confidence: float


def later(words: Iterable[Word], by_s: float) -> tuple[Word, ...]:
    """Words with their times later by ``by_s`` seconds."""
    return tuple(replace(word, start_s=word.start_s + by_s, end_s=word.end_s + by_s) for word in words)


@dataclass(frozen=True)
class Doubt:
    """A reason not to believe a stretch of an utterance: ``first`` to ``last`` are word positions, both included.

    ``kind`` is one of "unknown" (sound that is no word of the vocabulary), "disagree" (heard otherwise in the second
    hearing), "faint" (low confidence), "level" (clipped or too quiet); the bench adds "alike" (sounds like another).
    For "disagree" and "alike" ``other`` holds the other words.
    """

    kind: str
    first: int
    last: int
    reason: str
    other: str = ""
    beside: bool = False
    """The other words came between ``first`` and ``last``, not in their place."""


@dataclass(frozen=True)
class Guess:
    """One way in which an utterance may have been said.

    ``score`` is the natural logarithm of how well it fits the sound by both hearings, against the first guess;
    ``doubts`` are about sound in it that is no word.
    """

    words: tuple[Word, ...]
    score: float
    doubts: tuple[Doubt, ...] = ()

    @property
    def text(self) -> str:
        """The words with spaces between them."""
        return " ".join(word.text for word in self.words)


@dataclass(frozen=True)
class Heard:
    """One utterance. Words that belong to no vocabulary are doubts, never words."""

    words: tuple[Word, ...]
    text: str
    start_s: float
    end_s: float
    clip: Clip
    doubts: tuple[Doubt, ...]
    engine: str
    second: str = ""
    """The text of the second hearing, empty if there was none."""
    guesses: tuple[Guess, ...] = ()
    """All that it may have been, the likeliest by the sound first; none where only one way is known."""
