"""Where live sound comes from: all sources hand over int16 mono sound at 16 kHz, whatever they take in."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

import numpy as np
import numpy.typing as npt

from capture.bench.live_level import RATE
from capture.errors import CaptureError

SourceState = Literal["listening", "lost", "ended"]
Feed = Callable[[bytes], None]
Tell = Callable[[SourceState, str], None]

CHUNK_S = 0.1


class Source(Protocol):
    """A source of sound. ``name`` is shown to the technician."""

    name: str

    def start(self, feed: Feed, tell: Tell) -> None:
        """Begin to call ``feed`` with sound and ``tell`` with what becomes of the source (state, sentence)."""

    def stop(self) -> None:
        """End; no call comes afterwards."""


class StreamResampler:
    """Any rate to 16 kHz, piece by piece, without seams: each block is converted together with its surroundings."""

    def __init__(self, rate: int) -> None:
        common = math.gcd(rate, RATE)
        self._in, self._out = rate // common, RATE // common
        self._rate = rate
        self._block = self._in * math.ceil(0.05 * common)
        self._context = self._in * math.ceil(0.01 * common)
        self._waiting: npt.NDArray[np.float32] = np.zeros(self._context, np.float32)

    def feed(self, pcm: bytes) -> bytes:
        """Take int16 samples at the source's rate; returns what can be said at 16 kHz so far."""
        from capture.speech.resample import resample

        samples = np.frombuffer(pcm[: len(pcm) // 2 * 2], "<i2")
        if self._rate == RATE:
            return samples.tobytes()
        self._waiting = np.concatenate([self._waiting, samples.astype(np.float32) / 32768])
        made = []
        whole = self._block + 2 * self._context
        while len(self._waiting) >= whole:
            converted = resample(self._waiting[:whole], self._rate, RATE)
            first = self._context // self._in * self._out
            made.append(converted[first : first + self._block // self._in * self._out])
            self._waiting = self._waiting[self._block :]
        joined = np.concatenate(made) if made else np.zeros(0, np.float32)
        return np.clip(np.round(joined * 32768), -32768, 32767).astype("<i2").tobytes()


@dataclass(frozen=True)
class Practice:
    """A sound file for practice."""

    name: str
    pcm: bytes


def read_practice(paths: Sequence[Path]) -> tuple[Practice, ...]:
    """Read sound files for practice.

    Raises:
        AudioError: one of them cannot be read.
    """
    from capture.speech.audio import read_audio

    return tuple(Practice(path.name, read_audio(path).pcm()) for path in paths)


class PracticeSource:
    """Feeds a sound file as if it were spoken now, or, ``fast``, as quickly as it is taken.

    Args:
        practice: the file.
        fast: do not wait for the time that the sound takes.
        ready: with ``fast``, waits until more sound may come.
    """

    def __init__(self, practice: Practice, *, fast: bool, ready: Callable[[], None] = lambda: None) -> None:
        self.name = f"practice: {practice.name}"
        self._practice = practice
        self._fast = fast
        self._ready = ready
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, feed: Feed, tell: Tell) -> None:
        """Begin to play."""
        self._thread = threading.Thread(target=self._run, args=(feed, tell), name="practice", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop playing."""
        self._stop.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(timeout=5)

    def _run(self, feed: Feed, tell: Tell) -> None:
        pcm, size = self._practice.pcm, int(CHUNK_S * RATE) * 2
        begun = time.monotonic()
        tell("listening", self.name)
        for at in range(0, len(pcm), size):
            if self._fast:
                self._ready()
            else:
                self._stop.wait(max(0.0, begun + (at + size) / 2 / RATE - time.monotonic()))
            if self._stop.is_set():
                return
            feed(pcm[at : at + size])
        tell("ended", f"{self._practice.name} has come to its end.")


class PushedSource:
    """Sound that somebody else pushes in: the browser's, over its socket. ``rate`` is that of what is pushed."""

    def __init__(self, name: str, rate: int) -> None:
        self.name = name
        self._resampler = StreamResampler(rate)
        self._feed: Feed | None = None
        self._tell: Tell | None = None

    def start(self, feed: Feed, tell: Tell) -> None:
        """From now on what is pushed is handed on."""
        self._feed, self._tell = feed, tell
        tell("listening", self.name)

    def push(self, pcm: bytes) -> None:
        """Hand on int16 mono samples."""
        if self._feed is not None:
            made = self._resampler.feed(pcm)
            if made:
                self._feed(made)

    def lost(self) -> None:
        """The other side is gone."""
        if self._tell is not None:
            self._tell("lost", f"The sound from {self.name} stopped; open the page again or choose another microphone.")

    def stop(self) -> None:
        """What is pushed from now on is dropped."""
        self._feed = self._tell = None


class SourceError(CaptureError):
    """A source of sound that cannot be used."""

    exit_code = 5
