"""Keeps our own voice out of what is heard, and notices when the technician speaks over it.

While the loudspeaker says something, the microphone hears it too. What it must be hearing is known: the level of what
is being said, a frame at a time, times how strongly the room carries it to the microphone (the coupling), which is
learned while nobody interrupts. Sound that follows that expectation is replaced by noise as loud as the room, so that
stream times stay true; sound that stands above it for a while is the technician (*barge-in*): the gate opens, and the
last half second, held back until then, is handed over with it, so that the first word is not cut.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from capture.bench.live_level import FRAME, LOWEST_DB, frame_levels

MARGIN_DB = 6.0
"""How far above the expected echo sound must be to be taken for the technician."""

TAIL_S = 0.35
"""How long after the voice's end its echo may last."""

FIRST_COUPLING_DB = 0.0
"""Expected of the very first sounds: the microphone hears the voice as loud as it is played."""

AUDIBLE_DB = -35.0
"""With less coupling than this, our voice cannot be mistaken for anything beside a technician's."""

_LATENCY_FRAMES = 20
_NEED, _OF = 7, 14
_HELD_FRAMES = 25
_RISE_DB = 2.0
_LOUD_DB = -35.0
_LEAST_RATIOS = 20
_FLOOR_BELOW_MEAN_DB = 0.45
_FIRST_MARGIN_DB = 3.0
_FRAME_S = 0.02
_BYTES = FRAME * 2


class EchoGate:
    """One microphone beside one loudspeaker. Positions are samples since the stream began, as 20 ms frames pass."""

    def __init__(self) -> None:
        self.coupling_db = FIRST_COUPLING_DB
        self._learned = False
        self._voice: np.ndarray = np.zeros(0)
        self._at = 0
        self._closed = False
        self._over: deque[bool] = deque(maxlen=_OF)
        self._held: deque[bytes] = deque()
        self._random = np.random.default_rng(1)
        self._ratios: list[float] = []
        self._rest = b""

    @property
    def audible(self) -> bool:
        """Whether the microphone hears our voice so loudly that words spoken over it may be heard wrong."""
        return self.coupling_db > AUDIBLE_DB

    @property
    def closed(self) -> bool:
        """Whether the microphone is being kept shut."""
        return self._closed

    def voice_begins(self, pcm: bytes) -> None:
        """Our voice begins to play this sound (int16 mono, 16 kHz)."""
        self._voice = frame_levels(pcm)
        self._at = 0
        self._closed = True
        self._over.clear()
        self._ratios = []

    def voice_stops(self) -> None:
        """Our voice was cut off; its echo still dies away."""
        self._voice = self._voice[: self._at + 1]

    def feed(self, pcm: bytes, floor_db: float) -> tuple[bytes, bool]:
        """Pass sound through.

        Args:
            pcm: int16 mono samples at 16 kHz.
            floor_db: the noise floor.

        Returns:
            What the recogniser may hear, and whether the technician just spoke over our voice. While the gate is
            closed the sound comes half a second late; once it opens, everything that came in has gone out.
        """
        data = self._rest + pcm
        if not self._closed:
            self._rest = b""
            return data, False
        whole = len(data) // _BYTES * _BYTES
        self._rest = data[whole:]
        out: list[bytes] = []
        barged = False
        for start in range(0, whole, _BYTES):
            frame = data[start : start + _BYTES]
            if self._closed:
                barged = self._frame(frame, floor_db, out) or barged
            else:
                out.append(frame)
        if not self._closed:
            out.append(self._rest)
            self._rest = b""
        return b"".join(out), barged

    def _frame(self, frame: bytes, floor_db: float, out: list[bytes]) -> bool:
        level = float(frame_levels(frame)[0])
        self._learn(level, floor_db)
        self._over.append(level > max(self._expected(), floor_db) + MARGIN_DB)
        self._held.append(frame)
        self._at += 1
        if sum(self._over) >= _NEED:
            out.extend(self._held)
            self._open()
            return True
        if len(self._held) > _HELD_FRAMES:
            self._held.popleft()
            out.append(self._filler(1, floor_db))
        if self._at * _FRAME_S >= len(self._voice) * _FRAME_S + TAIL_S:
            out.append(self._filler(len(self._held), floor_db))
            self._settle()
            self._open()
        return False

    def _filler(self, frames: int, floor_db: float) -> bytes:
        return room_noise(self._random, frames * FRAME, floor_db)

    def _window(self) -> float:
        low = max(0, self._at - _LATENCY_FRAMES)
        part = self._voice[low : self._at + 3]
        return float(part.max()) if len(part) else LOWEST_DB

    def _expected(self) -> float:
        return self._window() + self.coupling_db

    def _learn(self, level: float, floor_db: float) -> None:
        window = self._window()
        if window > _LOUD_DB:
            # What drowns in the room's noise is at most that loud.
            self._ratios.append(max(level, floor_db) - window)
        if not self._learned and len(self._ratios) == _LEAST_RATIOS:
            self.coupling_db = min(FIRST_COUPLING_DB, float(np.max(self._ratios)) + _FIRST_MARGIN_DB)

    def _settle(self) -> None:
        if len(self._ratios) < _LEAST_RATIOS:
            return
        heard = float(np.percentile(self._ratios, 95))
        # Somebody may have spoken along without being noticed: upwards it is believed slowly.
        self.coupling_db = min(heard, self.coupling_db + _RISE_DB) if self._learned else heard
        self._learned = True

    def _open(self) -> None:
        self._closed = False
        self._held.clear()


def room_noise(source: np.random.Generator, samples: int, floor_db: float) -> bytes:
    """Noise (int16) whose floor, as ``LevelMeter`` measures it, is ``floor_db``; never louder than -45 dB."""
    amplitude = 32768 * 10 ** ((max(-80.0, min(-45.0, floor_db)) + _FLOOR_BELOW_MEAN_DB) / 20)
    return np.round(source.normal(0.0, amplitude, samples)).astype("<i2").tobytes()
