"""Second look at the pieces of an utterance: what stands beside a value decides whether it can be taken."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from capture.phrases import statements as st
from capture.phrases.statements import Statement
from capture.procedure import language as lang


@dataclass(frozen=True)
class Piece:
    """A stretch of an utterance, word positions ``start`` to ``end`` as heard.

    ``inside``: its words in inside spelling. An open side means that unexplained words there may belong to the value.
    ``joiners``: words without meaning that stand before it. ``uncounted``: a number word before it would belong to it,
    as the count of its parts or in its amount.
    """

    kind: Literal["found", "stumble", "unknown", "correction"]
    start: int
    end: int
    token_end: int
    statement: Statement | None
    inside: tuple[str, ...] = ()
    left_open: bool = False
    right_open: bool = False
    joiners: tuple[str, ...] = ()
    uncounted: bool = False


def settle(heard: tuple[str, ...], pieces: list[Piece]) -> tuple[Statement, ...]:
    """The statements that the pieces come to, their spans contiguous over all of ``heard``."""
    return tuple(_statements(heard, _corrected(heard, _doubted(heard, _contiguous(pieces, len(heard))))))


def _contiguous(pieces: list[Piece], count: int) -> list[Piece]:
    """Pieces without gaps or overlaps (one typed word may have opened into several)."""
    result: list[Piece] = []
    for piece in pieces:
        start = result[-1].end if result else 0
        result.append(replace(piece, start=start, end=max(piece.end, start)))
    if result:
        result[-1] = replace(result[-1], end=count)
    return result


def _doubted(heard: tuple[str, ...], pieces: list[Piece]) -> list[Piece]:
    """Values beside unexplained words, or words that may belong to either of two, become refusals."""
    spoilt: dict[int, str] = {}
    merged: dict[int, int] = {}  # an unknown piece goes into this one
    for at, piece in enumerate(pieces[:-1]):
        following = pieces[at + 1]
        if piece.kind != "unknown" and _shares_number(piece, following):
            spoilt[at] = spoilt[at + 1] = piece.inside[-1]
        if following.kind == "stumble" and isinstance(piece.statement, _SHORT) and piece.right_open:
            spoilt[at] = _heard(heard, following)
        if following.kind == "unknown" and _spoils_left(piece, following):
            spoilt[at], merged[at + 1] = _heard(heard, following), at
        if piece.kind == "unknown" and _spoils_right(piece, following):
            spoilt[at + 1] = _heard(heard, piece)
            merged.setdefault(at, at + 1)
    result: dict[int, Piece] = {}
    for at, piece in enumerate(pieces):
        if at not in merged:
            result[at] = piece
    for at, into in merged.items():
        whole = result[into]
        result[into] = replace(whole, start=min(whole.start, pieces[at].start), end=max(whole.end, pieces[at].end))
    return [_spoiled(heard, pieces[at], piece, spoilt[at]) if at in spoilt else piece for at, piece in result.items()]


_SHORT = (st.CommandSaid, st.InstrumentSaid)
"""Statements that may be complete after a word or two, so that a broken one behind them may have been their end."""


def _heard(heard: tuple[str, ...], piece: Piece) -> str:
    return " ".join(heard[piece.start : piece.end])


def _shares_number(value: Piece, following: Piece) -> bool:
    """Whether the last word of ``value`` may belong to what follows: "... two point one two seats fitted"."""
    if not (value.right_open and following.uncounted and value.inside[-1] in lang.SPELLING):
        return False
    # "and" does not part "... four one" from "and a half turns in on ..."
    linked = following.joiners == ("and",) and isinstance(following.statement, st.TurnSaid)
    return linked or not following.joiners


_TELLING = lang.NUMBER_WORDS | lang.DENIALS | {word for form in lang.LOT for word in form.split()}
"""Words that, left over after a complete value, may still change it."""


def _spoils_left(value: Piece, unknown: Piece) -> bool:
    """Whether unknown words after ``value`` may change it."""
    if value.kind in ("stumble", "correction"):
        return True
    if value.kind != "found" or isinstance(value.statement, st.NoteSaid):
        return False
    telling = any(word in _TELLING for word in unknown.inside)
    return value.right_open or (telling and not _harmless(value.statement))


def _spoils_right(unknown: Piece, value: Piece) -> bool:
    """Whether unknown words before ``value`` may change it."""
    if value.kind == "unknown" or isinstance(value.statement, st.NoteSaid):
        return False
    if value.kind == "correction":
        return False
    return value.left_open or (unknown.inside[-1] in lang.DENIALS and not _harmless(value.statement))


def _harmless(statement: Statement | None) -> bool:
    return isinstance(statement, st.CommandSaid) and statement.command not in ("disregard", "confirm")


def _spoiled(heard: tuple[str, ...], value: Piece, whole: Piece, lost: str) -> Piece:
    """``whole`` (the value and the unknown words that went into it) as one refusal, because of the words ``lost``."""
    old = value.statement
    if value.kind == "correction":
        reason, sentence = (
            "bad_correction",
            f"'{lost}' after 'correction' was not understood; say the correction again.",
        )
    elif isinstance(old, st.Refused):
        reason, sentence = old.reason, old.sentence
        if old.reason == "value_missing" and any(word in lang.NUMBER_WORDS for word in lost.split()):
            reason = "bad_number"
            sentence = f"'{lost}' is not one number with its unit; say the name, the number and its unit again."
    else:
        reason = "bad_number" if isinstance(old, st.ReadingSaid | st.TurnSaid) else "incomplete"
        sentence = f"'{lost}' may belong to it, but that is not clear; say it again, in one breath, by itself."
    refused = st.Refused(
        words=_heard(heard, whole),
        span=(whole.start, whole.end),
        reason=reason,
        sentence=sentence,
        field=getattr(old, "field", None),
    )
    return replace(whole, kind="found", statement=refused, left_open=False, right_open=False)


def _corrected(heard: tuple[str, ...], pieces: list[Piece]) -> list[Piece]:
    """Corrections joined with the statement they bring."""
    result: list[Piece] = []
    for piece in reversed(pieces):
        if piece.kind != "correction":
            result.append(piece)
            continue
        brought = result.pop() if result else None
        end = brought.end if brought else piece.end
        words, span = " ".join(heard[piece.start : end]), (piece.start, end)
        inner = None if brought is None else _placed(heard, brought)
        result.append(replace(piece, kind="found", end=end, statement=_correction(words, span, inner)))
    return result[::-1]


def _correction(words: str, span: tuple[int, int], inner: Statement | None) -> Statement:
    if isinstance(inner, st.CorrectionSaid):
        return replace(inner, words=words, span=span)
    if isinstance(inner, st.Refused):
        return replace(inner, words=words, span=span)
    if inner is None or not isinstance(inner, st.CommandSaid | st.NotUnderstood | st.SignOffSaid | st.StageSaid):
        return st.CorrectionSaid(words=words, span=span, statement=inner)
    return st.Refused(
        words=words, span=span, reason="bad_correction",
        sentence="After 'correction' say the whole entry again, or nothing to withdraw the last one.",
    )  # fmt: skip


def _statements(heard: tuple[str, ...], pieces: list[Piece]) -> Iterator[Statement]:
    for piece in pieces:
        if piece.start < piece.end:
            yield _placed(heard, piece)


def _placed(heard: tuple[str, ...], piece: Piece) -> Statement:
    """The piece's statement with its final words and span."""
    words, span = " ".join(heard[piece.start : piece.end]), (piece.start, piece.end)
    if piece.statement is not None:
        return replace(piece.statement, words=words, span=span)
    return st.NotUnderstood(
        words=words, span=span, sentence=f"'{words}' was not understood; say it again or as a note."
    )
