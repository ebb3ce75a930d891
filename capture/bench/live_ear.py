"""The way of the sound: counted, spooled, freed from our own voice, watched for speech, handed on to be recognised."""

from __future__ import annotations

import threading
from collections.abc import Callable

import numpy as np

from capture.bench.live_clock import Clock
from capture.bench.live_gate import EchoGate, room_noise
from capture.bench.live_level import LOWEST_DB, RATE, Level, LevelMeter
from capture.bench.live_spool import Spool, Timeline
from capture.record.trouble import told_plainly

_FLUSH_S = 1.5
_KNOWN_S = 1.0


class Ear:
    """Takes in sound from whatever source; safe to feed from any thread.

    Args:
        spool: where the sound is kept as it comes.
        timeline: which sample was taken when.
        clock: the session's.
        gated: whether our voice can be heard by the microphone.
        hand_on: gets the sound to be recognised, as long as what came in.
        speech: is told when the technician begins to speak and falls silent again.
        trouble: is told a sentence when the sound cannot be kept on the disk, and an empty one when it can again.
    """

    def __init__(
        self,
        spool: Spool,
        timeline: Timeline,
        clock: Clock,
        *,
        gated: bool,
        hand_on: Callable[[bytes], None],
        speech: Callable[[bool], None],
        trouble: Callable[[str], None],
    ) -> None:
        self._lock = threading.Lock()
        self._spool, self._timeline, self._clock = spool, timeline, clock
        self._hand_on, self._speech, self._trouble = hand_on, speech, trouble
        self._gate = EchoGate() if gated else None
        self._meter, self._voices = LevelMeter(), LevelMeter()
        self._room = LOWEST_DB
        self._spoke = False
        self._failing = False
        self.samples = 0
        self.level: Level | None = None

    def feed(self, pcm: bytes) -> Level:
        """Take in int16 mono sound at 16 kHz; the level after it."""
        with self._lock:
            return self._feed(pcm)

    def flush(self) -> None:
        """The source pauses or ends: a moment of the room's own noise lets the last utterance come to its end."""
        with self._lock:
            self._feed(room_noise(np.random.default_rng(2), int(_FLUSH_S * RATE), self._room_db()))

    @property
    def hears_us(self) -> bool:
        """Whether our voice reaches the microphone loudly."""
        return self._gate is not None and self._gate.audible

    def voice_begins(self, pcm: bytes) -> int:
        """Our voice begins to say this; returns the position in the stream."""
        with self._lock:
            if self._gate is not None and pcm:
                self._room = self._room_db()
                self._gate.voice_begins(pcm)
            return self.samples

    def voice_stops(self) -> int:
        """Our voice ended or was cut off; returns the position in the stream."""
        with self._lock:
            if self._gate is not None:
                self._gate.voice_stops()
            return self.samples

    def close(self) -> None:
        """End the spool's present piece.

        Raises:
            EnvironmentFault: the disk fails; this can be tried again.
        """
        with self._lock, told_plainly(self._spool.folder):
            self._spool.close()

    def _feed(self, pcm: bytes) -> Level:
        pcm = pcm[: len(pcm) // 2 * 2]
        begin, count = self.samples, len(pcm) // 2
        self.samples += count
        self._clock.heard(count)
        anchor = self._timeline.arrived(begin, count, self._clock.now())
        try:
            self._spool.write(pcm, begin, anchor)
            self._says_trouble("")
        except OSError as error:
            self._says_trouble(
                f"The sound is heard but not kept on the disk ({error.strerror or error}); free some space on it now."
            )
        level = self.level = self._meter.feed(pcm)
        passed, barged = (pcm, False) if self._gate is None else self._gate.feed(pcm, self._room_db())
        speaking = self._voices.feed(passed).speech if passed else self._spoke
        if barged and not self._spoke:
            speaking = True
        if speaking != self._spoke:
            self._spoke = speaking
            self._speech(speaking)
        if passed:
            self._hand_on(passed)
        return level

    def _room_db(self) -> float:
        """The room's own noise, from what was passed on; while our voice sounds, as it was before."""
        if self._gate is not None and self._gate.closed:
            return self._room
        return self._voices.floor_db if self._voices.seconds > _KNOWN_S else self._meter.floor_db

    def _says_trouble(self, sentence: str) -> None:
        if bool(sentence) != self._failing:
            self._failing = bool(sentence)
            self._trouble(sentence)
