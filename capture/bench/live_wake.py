"""Listening only when called: what is said counts when it begins with the wake phrase, or follows it soon.

Everything else that is heard is left out of the job; it stays in the sound, as far as that is kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from capture.bench.live_types import Listener
from capture.procedure.inside import phrases

if TYPE_CHECKING:
    from capture.procedure.model import Procedure
    from capture.speech.heard import Doubt, Heard

AWAKE_S = 20.0
"""How long after the wake phrase, or after what was then said without a doubt, no further one is needed."""


class Called:
    """A listener that hands on only what is said to the bench.

    Args:
        listener: hears everything, the wake phrase among it.
        wake: the wake phrases, word by word.
        awake_s: how long one call lasts.
    """

    def __init__(self, listener: Listener, wake: Iterable[Sequence[str]], awake_s: float = AWAKE_S) -> None:
        self._listener = listener
        self._wake = tuple(tuple(words) for words in wake)
        self._awake_s = awake_s
        self._until_s = 0.0
        self.left_out = 0
        """How many utterances were not for the bench."""

    def accept(self, pcm: bytes) -> list[Heard]:
        """As the listener's, as far as it is for the bench."""
        return self._for_us(self._listener.accept(pcm))

    def finish(self) -> list[Heard]:
        """As the listener's, as far as it is for the bench."""
        return self._for_us(self._listener.finish())

    @property
    def partial(self) -> str:
        """The words so far; none before the wake phrase."""
        words = self._listener.partial.split()
        end = self._called(words)
        return " ".join(words[end:]) if end else ""

    def _for_us(self, heard: Iterable[Heard]) -> list[Heard]:
        found = []
        for one in heard:
            end = self._called([word.text for word in one.words])
            if not end and one.start_s > self._until_s:
                self.left_out += 1
                continue
            if end or not one.doubts:
                self._until_s = one.end_s + self._awake_s
            if not end or end < len(one.words):
                found.append(self._rest(one, end))
        return found

    def _rest(self, heard: Heard, end: int) -> Heard:
        """An utterance without the wake phrase in its first ``end`` words; with a wake phrase in it, it was called."""
        if not end:
            return heard
        guesses = []
        for guess in heard.guesses:
            called = self._called([word.text for word in guess.words])
            if called:
                guesses.append(replace(guess, words=guess.words[called:], doubts=moved(guess.doubts, called)))
        return replace(after(heard, end), guesses=tuple(guesses))

    def _called(self, words: Sequence[str]) -> int:
        """How many words there are up to the end of the last wake phrase; 0 without any."""
        places = ((at, wake) for wake in self._wake for at in range(len(words)))
        return max((at + len(wake) for at, wake in places if tuple(words[at : at + len(wake)]) == wake), default=0)


def after(heard: Heard, count: int) -> Heard:
    """An utterance without its first ``count`` words; a doubt that touched them stays on the first one left."""
    if not count:
        return heard
    words = heard.words[count:]
    return replace(heard, words=words, text=" ".join(word.text for word in words), doubts=moved(heard.doubts, count))


def moved(doubts: Iterable[Doubt], count: int) -> tuple[Doubt, ...]:
    """Doubts about an utterance without its first ``count`` words."""
    return tuple(replace(doubt, first=max(0, doubt.first - count), last=max(0, doubt.last - count)) for doubt in doubts)


def with_wake(sentences: Sequence[str], wake: Sequence[Sequence[str]]) -> list[str]:
    """Example sentences, every other one also with a wake phrase before it, and the wake phrases by themselves."""
    calls = [" ".join(words) for words in wake]
    called = [f"{calls[i % len(calls)]} {text}" for i, text in enumerate(sentences[::2])] if calls else []
    return [*sentences, *called, *(call for call in calls for _ in range(len(sentences) // 40))]


def wake_words(procedure: Procedure) -> tuple[tuple[str, ...], ...]:
    """A procedure's wake phrases, word by word."""
    return phrases(procedure.wake)
