"""Remembers what our own voice said when, so that words that may be its echo are not taken for the technician's."""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from capture.bench.live_level import RATE

if TYPE_CHECKING:
    from capture.speech.heard import Heard

ECHO_S = 0.5
SAME = "This was heard while the bench itself said the same words."
OVER = "This was spoken over the bench's own voice and may be heard wrong."


@dataclass
class _Said:
    begin: int
    end: int | None
    words: frozenset[str]


class OwnVoice:
    """The last things that our voice said, by their places in the stream of sound (samples)."""

    def __init__(self) -> None:
        self._said: deque[_Said] = deque(maxlen=8)

    def begins(self, text: str, sample: int) -> None:
        """Our voice begins to say ``text``."""
        self._said.append(_Said(sample, None, _words(text)))

    def ends(self, sample: int) -> None:
        """It ended, or was cut off."""
        if self._said and self._said[-1].end is None:
            self._said[-1].end = sample

    def marked(self, heard: Heard, now: int, *, loud: bool = True) -> Heard:
        """The utterance; with a doubt on all of it when it may not be the technician's, or not be what was said.

        Args:
            heard: its times count in the stream.
            now: how far the stream has come.
            loud: whether the microphone hears our voice loudly; if not, only our own words are doubted.
        """
        from capture.speech.heard import Doubt

        words = {word.text for word in heard.words}
        for said in self._said if words else ():
            last = (now if said.end is None else said.end) + ECHO_S * RATE
            together = heard.start_s * RATE < last and heard.end_s * RATE > said.begin
            if together and (loud or words <= said.words):
                reason = SAME if words <= said.words else OVER
                return replace(heard, doubts=(*heard.doubts, Doubt("own_voice", 0, len(heard.words) - 1, reason)))
        return heard


def _words(text: str) -> frozenset[str]:
    return frozenset(re.findall(r"[a-z']+", text.lower()))
