"""Which of all guesses at an utterance is taken: the one that fits the sound best and makes sense in this job.

What fits the sound hardly better than no words at all is noise. What no phrase allows costs a guess most; what would
have to wait anyway (a value out of all proportion, a missing unit) and what belongs to another stage cost it a little:
the sound decides between values, unless it leaves them nearly equal. A statement is sure by the share of all guesses
that contain it; below ``SURE`` it is asked back, so that a value is never taken for what is expected without somebody
confirming it. The settings were found with voices that were trained on.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from typing import TYPE_CHECKING

from capture.bench.doubtful import Reparse, content
from capture.phrases.statements import Said
from capture.procedure.language import DIGIT_NAMES, DIGITS
from capture.procedure.schema import NEED_KINDS

if TYPE_CHECKING:
    from capture.judge.entry import Entry
    from capture.procedure.model import Stage
    from capture.speech.heard import Guess, Heard

Meaning = tuple[object, ...]
Cost = Callable[[Sequence[Said]], float]
"""What a guess is the less likely for what its statements are in this job; natural logarithm."""

SENSELESS = 6.0
STRANGE_VALUE = 3.0
UNEXPECTED = 1.0
NOISE = 4.0
"""That it was no word at all counts for so much more when it is decided whether to ask: a knock must not be a check."""
SURE = 0.75
SURELY_NOISE = 0.75
"""Share of no word at all from which nothing else is considered."""

MOST_ALSO = 5
LEAST_SHARE = 0.02
"""So many other meanings are told, unless they are hopeless."""

FROM_GUESSES = frozenset({"unknown", "disagree", "faint"})
"""Kinds of doubts whose place the comparison of all guesses takes."""


@dataclass(frozen=True)
class Chosen:
    """An utterance with the words that were chosen.

    ``objections`` has for each of its statements what is to be asked back about it, empty where it is sure; ``also``
    what else the utterance may have meant, of each other meaning the likeliest words and its share.
    """

    heard: Heard
    objections: tuple[str, ...] = ()
    also: tuple[tuple[str, float], ...] = ()


def choose(heard: Heard, reparse: Reparse, cost: Cost) -> Chosen:
    """Choose among the guesses of an utterance.

    Args:
        heard: with one guess at least that has words.
        reparse: words to statements, for the job as it stands.
        cost: of a guess's statements.
    """
    from capture.speech.guesses import shares

    guesses = heard.guesses
    parsed = [tuple(reparse([word.text for word in guess.words])) for guess in guesses]
    scores = [guess.score - (cost(said) if guess.words else 0.0) for guess, said in zip(guesses, parsed, strict=True)]
    silent = next((i for i, guess in enumerate(guesses) if not guess.words), None)
    if silent is not None and shares(scores)[silent] > SURELY_NOISE:
        return Chosen(_with(heard, guesses[silent]))
    parts = shares([score + NOISE * (not guess.words) for guess, score in zip(guesses, scores, strict=True)])
    meanings = [tuple(content(said) for said in statements) for statements in parsed]
    weights: dict[Meaning, float] = defaultdict(float)
    likeliest: dict[Meaning, int] = {}
    for i in sorted(range(len(guesses)), key=lambda i: -parts[i]):
        weights[meanings[i]] += parts[i]
        likeliest.setdefault(meanings[i], i)
    best = max((i for i, guess in enumerate(guesses) if guess.words), key=lambda i: (weights[meanings[i]], scores[i]))
    objections = []
    for what in meanings[best]:
        against = [i for i, meaning in enumerate(meanings) if what not in meaning]
        if 1.0 - sum(parts[i] for i in against) >= SURE:
            objections.append("")
            continue
        instead = _otherwise(guesses[best], guesses[max(against, key=lambda i: scores[i])])
        objections.append(f"It may be '{instead}' instead; confirm, or say it again.")
    others = sorted((meaning for meaning in weights if meaning != meanings[best]), key=lambda m: -weights[m])
    also = [(guesses[likeliest[meaning]].text, weights[meaning]) for meaning in others[:MOST_ALSO]]
    return Chosen(_with(heard, guesses[best]), tuple(objections), tuple(one for one in also if one[1] >= LEAST_SHARE))


def cost_of(entries: Sequence[Entry], stage: Stage | None) -> float:
    """The cost of a guess that would become these entries in a stage."""
    statuses = {entry.status for entry in entries}
    senseless = not entries or "not_accepted" in statuses
    return (
        SENSELESS * senseless
        + STRANGE_VALUE * ("unconfirmed" in statuses)
        + UNEXPECTED * (stage is not None and not all(_expected(entry, stage) for entry in entries))
    )


def _expected(entry: Entry, stage: Stage) -> bool:
    """Whether an entry is nothing that a stage needs, or something that this stage needs."""
    if entry.kind not in NEED_KINDS or not stage.needs:
        return True
    return any(need.kind == entry.kind and need.ref in ("*", entry.subject) for need in stage.needs)


def _with(heard: Heard, guess: Guess) -> Heard:
    """The utterance as this guess has it; doubts about all of it stay."""
    last = max(0, len(guess.words) - 1)
    kept = tuple(replace(doubt, first=0, last=last) for doubt in heard.doubts if doubt.kind not in FROM_GUESSES)
    return replace(heard, words=guess.words, text=guess.text, doubts=guess.doubts + kept)


def _otherwise(guess: Guess, rival: Guess) -> str:
    """The rival's words where they differ, with a word on either side where they are only fewer or only more."""
    ours, theirs = ([word.text for word in one.words] for one in (guess, rival))
    changes = [op for op in SequenceMatcher(None, ours, theirs, autojunk=False).get_opcodes() if op[0] != "equal"]
    if not changes:
        return rival.text
    first, last = changes[0][3], changes[-1][4]
    if first == last or changes[0][1] == changes[-1][2]:
        first, last = max(0, first - 1), last + 1
    return " ".join(_told(word) for word in theirs[first:last]) or "nothing"


def _told(word: str) -> str:
    """A word as it is put to people: the radio's ways of saying digits by their plain names."""
    return DIGIT_NAMES[DIGITS[word]] if word in DIGITS and word != "oh" else word
