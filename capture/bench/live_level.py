"""How loud the sound is that comes in, whether somebody speaks, and what is wrong with the microphone.

Works on 20 ms frames. The noise floor is the tenth percentile of the last four seconds, so that a compressor that
starts becomes part of it; speech is sound that stands well above it for a fifth of a second. Thresholds: common
practice, no source.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

RATE = 16_000
FRAME = 320

MARGIN_DB = 9.0
LOWEST_DB = -100.0

Fault = Literal["", "clipping", "too_quiet", "no_signal"]

_BEGIN_OF, _BEGIN_NEED = 12, 8
_END_OF, _END_NEED = 30, 3
_FLOOR_FRAMES = 200
_FULL_SCALE = 32_700
_HOLD_FRAMES = 150
_NO_SIGNAL_FRAMES = 150
_QUIET_SPEECH_DB = -46.0


@dataclass(frozen=True)
class Level:
    """The state after a piece of sound: root mean square and noise floor in dB of full scale, the largest sample
    (0 to 1), whether somebody speaks, and what is wrong."""

    rms_db: float
    floor_db: float
    peak: float
    speech: bool
    fault: Fault


class LevelMeter:
    """Follows a stream of int16 mono samples at 16 kHz."""

    def __init__(self) -> None:
        self._rest: npt.NDArray[np.int16] = np.zeros(0, np.int16)
        self._levels: deque[float] = deque(maxlen=_FLOOR_FRAMES)
        self._above: deque[bool] = deque([False] * _END_OF, maxlen=_END_OF)
        self._spoken: deque[float] = deque(maxlen=100)
        self._speech = False
        self._clipped = 0
        self._silent = 0
        self._last = Level(LOWEST_DB, LOWEST_DB, 0.0, False, "")

    def feed(self, pcm: bytes) -> Level:
        """Take in the next piece of sound (any length) and return the state after it."""
        samples = np.concatenate([self._rest, np.frombuffer(pcm[: len(pcm) // 2 * 2], "<i2")])
        count = len(samples) // FRAME
        self._rest = samples[count * FRAME :]
        if count == 0:
            return self._last
        frames = samples[: count * FRAME].reshape(count, FRAME).astype(np.int32)
        peaks = np.abs(frames).max(axis=1)
        power = np.mean(np.square(frames, dtype=np.float64), axis=1) / 32768**2
        levels = 10 * np.log10(np.maximum(power, 10 ** (LOWEST_DB / 10)))
        for level, peak, loud in zip(levels, peaks, (np.abs(frames) >= _FULL_SCALE).sum(axis=1), strict=True):
            self._frame(float(level), int(peak), int(loud))
        floor = self.floor_db
        self._last = Level(float(levels.max()), floor, float(peaks.max()) / 32768, self._speech, self._fault())
        return self._last

    @property
    def floor_db(self) -> float:
        """The noise floor in dB of full scale."""
        return float(np.percentile(self._levels, 10)) if self._levels else LOWEST_DB

    @property
    def seconds(self) -> float:
        """How much of the last four seconds it knows."""
        return len(self._levels) * FRAME / RATE

    def _frame(self, level: float, peak: int, loud: int) -> None:
        self._silent = self._silent + 1 if peak == 0 else 0
        self._clipped = _HOLD_FRAMES if loud >= 3 else max(0, self._clipped - 1)
        self._levels.append(level)
        above = len(self._levels) > 10 and level > max(self.floor_db, -75.0) + MARGIN_DB
        self._above.append(above)
        recent = list(self._above)
        if not self._speech and sum(recent[-_BEGIN_OF:]) >= _BEGIN_NEED:
            self._speech = True
        elif self._speech and sum(recent) < _END_NEED:
            self._speech = False
        if self._speech and above:
            self._spoken.append(level)

    def _fault(self) -> Fault:
        if self._silent >= _NO_SIGNAL_FRAMES:
            return "no_signal"
        if self._clipped:
            return "clipping"
        if len(self._spoken) >= 40 and float(np.percentile(self._spoken, 75)) < _QUIET_SPEECH_DB:
            return "too_quiet"
        return ""


def frame_levels(pcm: bytes) -> npt.NDArray[np.float64]:
    """The level of each whole 20 ms frame of int16 mono sound at 16 kHz, in dB of full scale, (N,)."""
    samples = np.frombuffer(pcm[: len(pcm) // (2 * FRAME) * 2 * FRAME], "<i2").reshape(-1, FRAME)
    power = np.mean(np.square(samples.astype(np.float64)), axis=1) / 32768**2
    return np.asarray(10 * np.log10(np.maximum(power, 10 ** (LOWEST_DB / 10))))
