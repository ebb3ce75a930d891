"""Which of the second hearing's objections matter: those by which the technician would have said something else."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import fields, replace
from typing import TYPE_CHECKING

from capture.phrases.statements import Said

if TYPE_CHECKING:
    from capture.speech.heard import Doubt

Reparse = Callable[[Sequence[str]], Sequence[Said]]


def material(doubts: Iterable[Doubt], words: Sequence[str], statement: Said, reparse: Reparse) -> tuple[Doubt, ...]:
    """The doubts about one statement that are worth asking back.

    The second hearing objects often to words that change nothing ("the", "now", "fife" for "five"). Its objection
    counts unless the utterance, with the other words put in, would mean the same. All other kinds of doubt count as
    they are.

    Args:
        doubts: of the whole utterance.
        words: the utterance as first heard.
        statement: one of the statements it was understood as.
        reparse: words to statements, for the same job.

    Returns:
        The doubts that touch the statement and matter, in their order.
    """
    first, last = statement.span
    meant = [content(said) for said in reparse(words)]
    touching = [doubt for doubt in doubts if doubt.first < last and first <= doubt.last]
    return tuple(d for d in touching if d.kind != "disagree" or _matters(d, words, meant, reparse))


def _matters(doubt: Doubt, words: Sequence[str], meant: Sequence[object], reparse: Reparse) -> bool:
    between = doubt.first + 1 if doubt.beside else doubt.first
    after = between if doubt.beside else doubt.last + 1
    otherwise = reparse([*words[:between], *doubt.other.split(), *words[after:]])
    return [content(said) for said in otherwise] != meant


def content(statement: Said) -> tuple[object, ...]:
    """What a statement says, without the words it was said in."""
    bare = replace(statement, words="", span=(0, 0))
    values = (getattr(bare, part.name) for part in fields(bare))
    return (type(statement), *(content(value) if isinstance(value, Said) else value for value in values))
