"""Two hearings of one utterance made into one list of guesses at what was said.

Each hearing names the ways in which it may have been said, with the logarithm of how well each fits. A guess gets the
sum of both; a hearing that does not name it at all found it worse than the worst way that it does name, by ``UNNAMED``
at least. The settings were found with voices that were trained on, their pitch changed, in quiet and in noise.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from .heard import Doubt, Guess, Word
from .language import UNKNOWN

Way = tuple[tuple[Word, ...], float]

WAYS = 40
"""How many ways each hearing is asked for; "five" and "fife" count as two."""
SECOND_WEIGHT = 0.4
"""What the second, smaller network's opinion counts beside the first one's."""
UNNAMED = 4.0
STRANGE = 1.0
"""What each sound that is no word costs a guess."""
SHARPNESS = 0.4
"""From scores to shares: by so much the networks are surer than they are right."""
HOPELESS = 14.0
"""Guesses that fit worse than the best by more are left out."""


def united(first: Sequence[Way], second: Sequence[Way], over_noise: float | None = None) -> tuple[Guess, ...]:
    """The guesses of both hearings, each word with the share of all guesses that have it there.

    The likeliest comes first and has the score 0; that nothing was said at all comes last, however likely.

    Args:
        first: ways of the first hearing, the best first, at least one.
        second: ways of the second hearing with times in the same clock; may be empty.
        over_noise: by how much the best of those fits better than no words at all, if that is known.
    """
    scores = [_relative(ways) for ways in (first, second)]
    floors = [min(named.values()) - UNNAMED if named else 0.0 for named in scores]
    words: dict[tuple[str, ...], tuple[Word, ...]] = {}
    for way, _ in (*first, *second):
        words.setdefault(_key(way), way)
    guesses = []
    for key, way in words.items():
        score = scores[0].get(key, floors[0]) + SECOND_WEIGHT * scores[1].get(key, floors[1])
        doubts = unknown_doubts(way)
        guesses.append(Guess(words_of(way), score - STRANGE * len(doubts), doubts))
    if over_noise is not None:
        guesses = [guess for guess in guesses if guess.words]
        guesses.append(Guess((), -(1.0 + SECOND_WEIGHT) * over_noise))
    guesses.sort(key=lambda guess: (not guess.words, -guess.score))
    top = guesses[0].score
    kept = [replace(guess, score=guess.score - top) for guess in guesses if guess.score > top - HOPELESS]
    return tuple(replace(guess, words=_with_confidence(guess.words, kept)) for guess in kept)


def shares(scores: Sequence[float]) -> list[float]:
    """How likely each of several guesses is, together 1."""
    top = max(scores)
    parts = [math.exp(SHARPNESS * (score - top)) for score in scores]
    return [part / sum(parts) for part in parts]


def unknown_doubts(heard: Sequence[Word]) -> tuple[Doubt, ...]:
    """Doubts about the words beside sound that is no word of the vocabulary."""
    doubts, at = [], 0
    count = sum(word.text != UNKNOWN for word in heard)
    for word in heard:
        if word.text != UNKNOWN:
            at += 1
            continue
        first, last = max(0, at - 1), max(0, min(at, count - 1))
        where = f"at {word.start_s:.1f} s"
        reason = f"Something {where} is no word that can be said here; say the whole again or confirm."
        doubts.append(Doubt("unknown", first, last, reason))
    return tuple(doubts)


def _relative(ways: Sequence[Way]) -> dict[tuple[str, ...], float]:
    found: dict[tuple[str, ...], float] = {}
    for way, score in ways:
        found.setdefault(_key(way), score - ways[0][1])
    return found


def _key(way: Iterable[Word]) -> tuple[str, ...]:
    return tuple(word.text for word in words_of(way))


def words_of(way: Iterable[Word]) -> tuple[Word, ...]:
    """The words of a way without sound that is no word."""
    return tuple(word for word in way if word.text != UNKNOWN)


def _with_confidence(words: Sequence[Word], guesses: Sequence[Guess]) -> tuple[Word, ...]:
    parts = shares([guess.score for guess in guesses])
    return tuple(
        replace(
            word,
            confidence=min(1.0, sum(part for part, guess in zip(parts, guesses, strict=True) if _has(guess, word))),
        )
        for word in words
    )


def _has(guess: Guess, word: Word) -> bool:
    """Whether a guess has the same word at about the same time."""
    return any(w.text == word.text and w.start_s < word.end_s and word.start_s < w.end_s for w in guess.words)
