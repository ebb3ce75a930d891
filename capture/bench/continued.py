"""A sentence with a pause in it: words that say nothing by themselves, and something together with those before them.

"Supply pressure one hundred" and, after a breath, "forty p s i" are two utterances. The first one alone would leave 100
on record. What both say together takes its place and waits until it is confirmed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from capture.bench.doubtful import Reparse, content
from capture.phrases.statements import (
    CheckSaid,
    CorrectionSaid,
    IdentitySaid,
    InstrumentSaid,
    NotUnderstood,
    PartSaid,
    ReadingSaid,
    Refused,
    Said,
    TurnSaid,
)

BREATH_S = 2.5
"""The longest pause within a sentence: twice what is waited for before an utterance counts as over."""
_VALUES = (ReadingSaid, TurnSaid, CheckSaid, PartSaid, InstrumentSaid, IdentitySaid)
_OPEN = (*_VALUES, NotUnderstood, Refused)
"""What a sentence that goes on may have been taken for; a word of conversation is whole."""


@dataclass(frozen=True)
class Before:
    """The utterance before: its words, when its last word ended (seconds on the session's clock), and the id of the
    entry that its last statement became."""

    words: tuple[str, ...]
    ended: float
    session: str
    entry: str

    def breath(self, began: float, session: str) -> bool:
        """Whether an utterance that began then came after no more than a breath."""
        return session == self.session and began - self.ended <= BREATH_S


def continued(before: Sequence[str], words: Sequence[str], alone: Reparse, reparse: Reparse) -> Said | None:
    """The statement that ``words`` finish, which ``before`` began; None where they do not.

    Args:
        before: the utterance before.
        words: the present one.
        alone: words to statements, without knowing what was spoken of last.
        reparse: the same, knowing it.
    """
    if not words or any(not isinstance(said, NotUnderstood | Refused) for said in alone(words)):
        return None
    first, together = reparse(before), reparse([*before, *words])
    if not first or not together or not isinstance(said_of(first[-1]), _OPEN):
        return None
    whole = together[-1]
    if [content(said) for said in together[:-1]] != [content(said) for said in first[:-1]]:
        return None
    spans = whole.span[0] < len(before) and whole.span[1] == len(before) + len(words)
    same = content(whole) == content(first[-1])
    return whole if spans and not same and isinstance(said_of(whole), _VALUES) else None


def said_of(statement: Said) -> Said | None:
    """What a statement says, apart from being a correction; None for a bare "correction"."""
    return statement.statement if isinstance(statement, CorrectionSaid) else statement


def in_two_pieces(before: Sequence[str], words: Sequence[str]) -> str:
    """Why such a statement is asked back."""
    return f"Said in two pieces: '{' '.join(before)}', a pause, '{' '.join(words)}'."
