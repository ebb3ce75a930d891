"""Clocks for a live session: the machine's, and one that runs with the sound, for practice faster than time."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from typing import Protocol

from capture.bench.live_level import RATE
from capture.judge.entry import Moment


class Clock(Protocol):
    """Tells the moment within one session."""

    def now(self) -> Moment:
        """The present moment."""

    def heard(self, samples: int) -> None:
        """So many samples more came in."""


class WallClock:
    """The machine's own clocks; ``session`` marks the moments."""

    def __init__(self, session: str) -> None:
        self._session = session
        self._begun = time.monotonic()

    def now(self) -> Moment:
        """Wall clock with the local offset, seconds since the session began."""
        return Moment(datetime.now().astimezone(), time.monotonic() - self._begun, self._session)

    def heard(self, samples: int) -> None:
        """Time passes by itself."""


class SoundClock:
    """Runs as far as the sound has come since the session began: now, or after the job's last entry if that is later,
    because an earlier session of practice ran ahead of time."""

    def __init__(self, session: str, after: datetime | None = None) -> None:
        self._session = session
        now = datetime.now().astimezone()
        self._begun = now if after is None else max(now, after)
        self._samples = 0

    def now(self) -> Moment:
        """The session's begin and the length of the sound so far."""
        seconds = self._samples / RATE
        return Moment(self._begun + timedelta(seconds=seconds), seconds, self._session)

    def heard(self, samples: int) -> None:
        """The clock moves on."""
        self._samples += samples
