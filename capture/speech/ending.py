"""When an utterance is over: how long the silence must last depends on whether the words so far make a whole sentence.

After "supply pressure one three five p s i" hardly anything can follow, so a short silence ends it. After "supply
pressure one" or within a serial number people draw breath, so a longer one is waited for: an utterance cut in two is
worse than a later one. Silence is told by the level of the sound, which is known at once, while the network looks ahead
and so lags; what the decoder has heard of late must agree with it.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from .language import WordNetwork

RATE = 16000
FRAME = 320
_FLOOR_FRAMES = 200
_LOWEST_DB = -90.0
_QUIET_SHARE = 0.4
"""Where between the noise floor and the loudest speech, in decibels, sound counts as silence."""
_LEAST_RANGE_DB = 6.0
_BURST_FRAMES = 2
"""So many loud frames within a silence (a click) do not end it."""


@dataclass(frozen=True)
class Waits:
    """How much silence ends an utterance, in seconds, by the probability that the sentence is over.

    Found with voices that were trained on, spoken with and without pauses (``tests.bench.hearing --tuning``).
    """

    whole: float = 0.5
    perhaps: float = 1.0
    begun: float = 1.3
    likely: float = 0.65
    """Probability from which a sentence counts as whole."""
    possible: float = 0.03
    """Probability from which it may be whole."""

    def needed(self, over: float) -> float:
        """Seconds of silence after words that end a sentence with probability ``over``."""
        return self.whole if over >= self.likely else self.perhaps if over >= self.possible else self.begun


DECODER_RULES: Mapping[str, float] = MappingProxyType({"rule2": 0.8, "rule3": 1.1, "rule4": 1.5})
"""Seconds of trailing silence after which the decoder itself ends an utterance (its own names; rule 2 for likely ends,
4 for any): for noise in which silence cannot be told by its level. Its look-ahead comes on top."""


class Sentences:
    """Tells from the word network how probable it is that a sentence is over after some words."""

    def __init__(self, network: WordNetwork) -> None:
        """Take a network whose costs are negative logarithms of probabilities."""
        self._network = network
        self._ways: dict[int, dict[str, tuple[tuple[float, int], ...]]] = {}

    def over(self, words: Sequence[str]) -> float:
        """Probability, 0 to 1, that nothing follows ``words``; 0 for words that cannot be."""
        costs = self._settled({self._network.start: 0.0})
        for word in words:
            after: dict[int, float] = {}
            for state, cost in costs.items():
                for more, following in self._after(state).get(word, ()):
                    after[following] = min(after.get(following, math.inf), cost + more)
            costs = self._settled(after)
        final = self._network.final
        end = min((cost + final[s] for s, cost in costs.items() if s in final), default=math.inf)
        return math.exp(min(costs.values()) - end) if end < math.inf else 0.0

    def _after(self, state: int) -> dict[str, tuple[tuple[float, int], ...]]:
        if state not in self._ways:
            ways: dict[str, tuple[tuple[float, int], ...]] = {}
            for edge in self._network.edges[state]:
                ways[edge.word] = (*ways.get(edge.word, ()), (edge.cost, edge.next))
            self._ways[state] = ways
        return self._ways[state]

    def _settled(self, costs: dict[int, float]) -> dict[int, float]:
        todo = list(costs)
        while todo:
            state = todo.pop()
            back = self._network.backoff[state]
            if back and costs[state] + back[1] < costs.get(back[0], math.inf):
                costs[back[0]] = costs[state] + back[1]
                todo.append(back[0])
        return costs


class Silence:
    """How long it has been quiet, against the noise floor and the loudness of the speech of the last four seconds."""

    def __init__(self) -> None:
        """Nothing heard yet."""
        self._levels: deque[float] = deque(maxlen=_FLOOR_FRAMES)
        self._rest: npt.NDArray[np.int16] = np.zeros(0, np.int16)
        self._quiet = 0
        self._burst = 0

    def feed(self, pcm: bytes) -> float:
        """Take the next int16 samples at 16 kHz; returns for how many seconds it has been quiet up to their end."""
        samples = np.concatenate([self._rest, np.frombuffer(pcm, "<i2")])
        count = len(samples) // FRAME
        self._rest = samples[count * FRAME :]
        frames = samples[: count * FRAME].reshape(count, FRAME).astype(np.float64)
        power = (frames**2).mean(1) / 32768**2 if count else np.zeros(0)
        levels = 10 * np.log10(np.maximum(power, 10 ** (_LOWEST_DB / 10)))
        self._levels.extend(levels.tolist())
        if count:
            border = self._border()
            for level in levels:
                self._frame(float(level) < border)
        return self._quiet * FRAME / RATE

    def _border(self) -> float:
        floor, top = np.percentile(self._levels, (10, 95))
        return float(floor + max(_LEAST_RANGE_DB, top - floor) * _QUIET_SHARE)

    def _frame(self, quiet: bool) -> None:
        self._burst = 0 if quiet else self._burst + 1
        self._quiet = 0 if self._burst > _BURST_FRAMES else self._quiet + 1


class Ending:
    """Decides, piece by piece of the sound, whether the utterance under way is over.

    Args:
        sentences: of the job.
        waits: how much silence is needed.
    """

    LAG_S = 0.25
    """Words come at least so late out of the decoder; what it has not changed for a while lies so much further back."""
    QUIET_S = 0.2

    def __init__(self, sentences: Sentences, waits: Waits | None = None) -> None:
        """Begin; kept for one stream."""
        self._sentences, self._waits = sentences, waits or Waits()
        self._silence = Silence()
        self._words: tuple[str, ...] = ()
        self._since_s = self._now_s = 0.0
        self._needed_s = math.inf

    def quiet_s(self, pcm: bytes) -> float:
        """Take the next sound; returns for how many seconds it has been quiet now."""
        self._now_s += len(pcm) / 2 / RATE
        return self._silence.feed(pcm)

    def worth_a_look(self, quiet_s: float) -> bool:
        """Whether the words so far could be the whole utterance, so that they are worth asking the decoder for."""
        return self.QUIET_S <= quiet_s <= self._waits.begun + 2 * self.LAG_S

    def over(self, quiet_s: float, partial: str) -> bool:
        """Whether the words so far are the whole utterance."""
        words = tuple(partial.split())
        if words != self._words:
            self._words, self._since_s = words, self._now_s
            self._needed_s = self._waits.needed(self._sentences.over(words)) if words else math.inf
        return max(quiet_s, self._now_s - self._since_s + self.LAG_S) >= self._needed_s

    def began_anew(self) -> None:
        """The utterance has ended, in whatever way; the next one may begin."""
        self._words, self._needed_s = (), math.inf
