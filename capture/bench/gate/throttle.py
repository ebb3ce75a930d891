"""Slows down whoever guesses: some tries are free, then each further one waits twice as long as the last."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Hashable
from dataclasses import dataclass

FORGET_S = 900.0
LONGEST_S = 300.0
_MOST = 4096


@dataclass
class _Tries:
    count: int
    last: float


class Throttle:
    """Counts tries by key. Safe for several threads.

    Args:
        clock: seconds that never run backwards.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._tries: dict[Hashable, _Tries] = {}
        self._lock = threading.Lock()

    def begin(self, keys: dict[Hashable, int]) -> float:
        """Begin a try, which counts as failed until ``passed`` is told.

        Args:
            keys: key -> how many tries are free.

        Returns:
            0 when it may be made; else the seconds to wait, and it was not counted.
        """
        now = self._clock()
        with self._lock:
            wait = max((self._wait(key, free, now) for key, free in keys.items()), default=0.0)
            if wait > 0:
                return wait
            for key in keys:
                count = self._tries[key].count if key in self._tries else 0
                self._tries[key] = _Tries(count + 1, now)
            self._forget(now)
            return 0.0

    def passed(self, *keys: Hashable) -> None:
        """The try was right: forget the failed ones of these keys."""
        with self._lock:
            for key in keys:
                self._tries.pop(key, None)

    def _wait(self, key: Hashable, free: int, now: float) -> float:
        known = self._tries.get(key)
        if known is None or known.count < free or now - known.last >= FORGET_S:
            return 0.0
        pause = min(LONGEST_S, 2.0 ** min(known.count - free, 20))
        return max(0.0, known.last + pause - now)

    def _forget(self, now: float) -> None:
        if len(self._tries) <= _MOST:
            return
        old = [key for key, known in self._tries.items() if now - known.last >= FORGET_S]
        for key in old:
            del self._tries[key]
        while len(self._tries) > _MOST:
            del self._tries[min(self._tries, key=lambda key: self._tries[key].last)]
