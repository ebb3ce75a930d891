"""What an utterance can turn out to say: a few frozen types.

Every statement keeps ``words``, what was heard of it, and ``span``, the half-open range of word positions inside the
utterance, so that word times and confidences can be found again. Amounts are ``Decimal`` exactly as said, in the unit
said; turns are ``Fraction`` of a full turn.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Literal, TypeAlias

Statement: TypeAlias = "Said"
"""Any of the types below."""

CommandWord = Literal["disregard", "say_again", "confirm", "read_back", "what_is_missing"]


@dataclass(frozen=True, kw_only=True)
class Said:
    """Common to all statements."""

    words: str
    span: tuple[int, int]


@dataclass(frozen=True, kw_only=True)
class ReadingSaid(Said):
    """A reading. ``unit`` is a unit id; ``unit_assumed`` when none was said and the procedure's default was taken.
    ``alternatives`` are other values that the same words may mean ("one thirty five": 135, or 1 and 35)."""

    field: str
    value: Decimal
    unit: str
    unit_assumed: bool = False
    alternatives: tuple[Decimal, ...] = ()


@dataclass(frozen=True, kw_only=True)
class TurnSaid(Said):
    """A counter was moved by ``turns`` of a full turn, signed by the direction that was said."""

    counter: str
    turns: Fraction
    direction: str


@dataclass(frozen=True, kw_only=True)
class CheckSaid(Said):
    """A check was answered."""

    check: str
    answer: str


@dataclass(frozen=True, kw_only=True)
class PartSaid(Said):
    """Kit parts went in, or old parts came out."""

    part: str
    action: Literal["fitted", "removed"]
    quantity: int
    lot: str | None


@dataclass(frozen=True, kw_only=True)
class InstrumentSaid(Said):
    """From here on readings of this kind are taken with the instrument ``serial``, calibration due ``due`` (when
    only a month is said: its last day)."""

    kind: str
    serial: str | None
    due: date | None


@dataclass(frozen=True, kw_only=True)
class IdentitySaid(Said):
    """The unit on the bench: one spelled field, letters upper-case, without spaces ("K 7 dash 0 4" is ``K7-04``)."""

    field: str
    value: str


@dataclass(frozen=True, kw_only=True)
class StageSaid(Said):
    """A stage begins."""

    stage: str


@dataclass(frozen=True, kw_only=True)
class PhotoSaid(Said):
    """A picture of this view is taken now."""

    view: str


@dataclass(frozen=True, kw_only=True)
class NoteSaid(Said):
    """Free words for the record."""

    text: str


@dataclass(frozen=True, kw_only=True)
class SignOffSaid(Said):
    """Somebody signs in this role."""

    role: str


@dataclass(frozen=True, kw_only=True)
class CommandSaid(Said):
    """A word of conversation, about ``field`` (a reading's id) when one was named."""

    command: CommandWord
    field: str | None = None


@dataclass(frozen=True, kw_only=True)
class CorrectionSaid(Said):
    """``statement`` replaces the last entry of its own subject; without one, the last entry is withdrawn until it
    is said again."""

    statement: Said | None


@dataclass(frozen=True, kw_only=True)
class Refused(Said):
    """Understood well enough to say why it is not taken: ``reason`` is a stable id (``wrong_unit``,
    ``unit_missing``, ``bad_number``, ``bad_step``, ``bad_identity``, ...), ``sentence`` says what to do."""

    reason: str
    sentence: str
    field: str | None = None


@dataclass(frozen=True, kw_only=True)
class NotUnderstood(Said):
    """Words that fit nothing. Kept, never dropped."""

    sentence: str


@dataclass(frozen=True)
class Context:
    """What the parser may know of the job so far: the present stage and the field of the last reading (so that
    "correction, two point one" and "two point one" after "say again" find their field)."""

    stage: str | None = None
    last_field: str | None = None
