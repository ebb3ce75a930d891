"""Words that sound so much alike that even two hearings which agree are not proof enough.

Which words these are is common practice, no source; how sure a hearing must be was found with voices that were trained
on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING

from capture.bench.doubtful import Reparse, content
from capture.phrases.statements import NoteSaid, NotUnderstood, Refused, Said
from capture.procedure.language import DIGITS, ORDINALS, TEENS

if TYPE_CHECKING:
    from capture.speech.heard import Doubt, Word

SURE = 0.9
"""Confidence from which a word is not taken for what it sounds like. A bare letter never is: of those that real people
said, one in eight was heard as another one (`capture/speech/model/FIGURES.txt`)."""
NEGATIONS = frozenset({"now", "not"})
"""Nor are these, which turn an answer into its contrary."""

LETTER_GROUPS = ("bcdegptvz", "fsx", "ajk", "mn", "iy", "quw")
COUPLES = ("at eight", "now not")
PARTS_OF = ("four", "six", "seven", "eight", "nine", "ten", "twelve", "sixteen")
"""Numbers that sound like their parts: "six turns", "sixth turn"."""


def _pairs() -> Mapping[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    counts, parts = {**DIGITS, **TEENS}, {count: word for word, count in ORDINALS.items()}
    of_a_whole = ((number, parts[counts[number]]) for number in PARTS_OF)
    for one, other in (*(couple.split() for couple in COUPLES), *of_a_whole):
        found[one], found[other] = (*found.get(one, ()), other), (*found.get(other, ()), one)
    for group in LETTER_GROUPS:
        for letter in group:
            found[letter] = tuple(other for other in group if other != letter)
    return MappingProxyType(found)


ALIKE = _pairs()
"""Words, and what may have been said instead."""

TENS = MappingProxyType({"thirteen": "thirty", "fourteen": "forty", "fifteen": "fifty", "eighteen": "eighty"})
_TEEN_OF = MappingProxyType({ten: teen for teen, ten in TENS.items()})


def alike(words: Sequence[Word], reparse: Reparse) -> tuple[Doubt, ...]:
    """A doubt for each word that another one sounds like, where the other would have meant something else. What a note
    says is no value.

    Args:
        words: as heard.
        reparse: words to statements, for the same job.
    """
    from capture.speech.heard import Doubt

    texts = [word.text for word in words]
    meant = _values(reparse(texts))
    doubts = []
    for i, word in enumerate(words):
        for other in _instead(word):
            otherwise = reparse([*texts[:i], other, *texts[i + 1 :]])
            understood = not any(isinstance(one, NotUnderstood | Refused) for one in otherwise)
            if understood and _values(otherwise) != meant:
                reason = f"'{word.text}' sounds like '{other}'; confirm, or say it in another way."
                doubts.append(Doubt("alike", i, i, reason, other))
                break
    return tuple(doubts)


def _values(statements: Sequence[Said]) -> list[tuple[object, ...]]:
    return [content(one) for one in statements if not isinstance(one, NoteSaid)]


def _instead(word: Word) -> tuple[str, ...]:
    if word.confidence >= SURE and len(word.text) > 1 and word.text not in NEGATIONS:
        return ()
    if word.text in ALIKE:
        return ALIKE[word.text]
    if word.text in TEENS and word.text.endswith("teen"):
        return (TENS.get(word.text, word.text.removesuffix("teen") + "ty"),)
    if word.text.endswith("ty") and word.text != "twenty":
        return (_TEEN_OF.get(word.text, word.text.removesuffix("ty") + "teen"),)
    return ()
