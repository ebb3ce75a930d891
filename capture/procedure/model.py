"""The frozen description of a kind of job, as read from one TOML file.

Every amount is a ``Decimal`` in the owning reading's *default unit* (the first of ``Reading.units``); turns are
``Fraction`` of a full turn. Ids are lower-case words joined by underscores. ``spoken`` holds the ways a thing may be
named aloud, lower-case words without punctuation, the first being the one used in read-back and documentation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Literal, Protocol, TypeVar

DecisionRule = Literal["guard_band", "simple"]
"""``guard_band``: ISO 14253-1, pass only inside the limits shrunk by U, fail only outside the limits grown by U,
undecided between. ``simple``: the value alone decides."""

NeedKind = Literal["identity", "instrument", "reading", "turn", "check", "part", "photo"]


@dataclass(frozen=True)
class Limit:
    """What a reading must keep to at one stage; one of ``low`` and ``high`` may be open (None)."""

    stage: str
    low: Decimal | None
    high: Decimal | None
    source: str


@dataclass(frozen=True)
class Change:
    """Expected difference of a reading, later stage minus earlier. ``repeat`` marks a repeated measurement that
    must agree with the first one (after depressurising and repressurising, say)."""

    from_stage: str
    to_stage: str
    low: Decimal | None
    high: Decimal | None
    source: str
    repeat: bool = False


@dataclass(frozen=True)
class Rate:
    """How much a reading changes when the named counter moves by ``per`` turns in its positive direction."""

    counter: str
    per: Fraction
    low: Decimal
    high: Decimal
    source: str


@dataclass(frozen=True)
class Reading:
    """A quantity that is measured and said. ``units[0]`` is the default unit that all its amounts are in."""

    id: str
    name: str
    spoken: tuple[str, ...]
    quantity: str
    units: tuple[str, ...]
    plausible_low: Decimal
    plausible_high: Decimal
    decimals: int
    instrument: str | None
    rule: DecisionRule
    limits: tuple[Limit, ...] = ()
    changes: tuple[Change, ...] = ()
    rates: tuple[Rate, ...] = ()

    @property
    def unit(self) -> str:
        """The default unit's id."""
        return self.units[0]

    def limit_at(self, stage: str) -> Limit | None:
        """The limit that holds at ``stage``, or None."""
        return next((limit for limit in self.limits if limit.stage == stage), None)


@dataclass(frozen=True)
class Instrument:
    """A kind of gauge. Its standard uncertainty is given, or follows from the resolution r as r / sqrt(12)
    (GUM 4.3.7); both are amounts in ``unit``."""

    id: str
    name: str
    spoken: tuple[str, ...]
    quantity: str
    unit: str
    resolution: Decimal | None
    standard_uncertainty: Decimal | None
    serial_required: bool
    due_required: bool


@dataclass(frozen=True)
class Identity:
    """Something spelled that tells this unit from others (serial number, type); ``pattern`` is a regular
    expression that the whole value must match, or None."""

    id: str
    name: str
    spoken: tuple[str, ...]
    pattern: str | None


@dataclass(frozen=True)
class Unlock:
    """A budget that is open only after the last value of ``reading`` was below or above an amount."""

    reading: str
    below: Decimal | None
    above: Decimal | None


@dataclass(frozen=True)
class Budget:
    """How far a counter may be moved in a stage: in all ``turns`` (sum of absolute moves), in at most ``moves``."""

    stage: str
    turns: Fraction
    moves: int | None
    unlock: Unlock | None
    source: str


@dataclass(frozen=True)
class Direction:
    """A word for a way of turning; ``sign`` is +1 or -1."""

    spoken: tuple[str, ...]
    sign: int


@dataclass(frozen=True)
class Counter:
    """Something that is turned and whose turns are counted."""

    id: str
    name: str
    spoken: tuple[str, ...]
    directions: tuple[Direction, ...]
    smallest_step: Fraction
    budgets: tuple[Budget, ...] = ()


@dataclass(frozen=True)
class Answer:
    """One possible answer to a check."""

    id: str
    spoken: tuple[str, ...]


@dataclass(frozen=True)
class Check:
    """A question with known answers. ``good`` names the answers that are as they should be; empty for a mere
    observation."""

    id: str
    name: str
    spoken: tuple[str, ...]
    answers: tuple[Answer, ...]
    good: tuple[str, ...]


@dataclass(frozen=True)
class Part:
    """A part of the service kit: ``quantity`` are in the kit. ``replaces_old``: as many old ones must come out.
    ``lot_required``: the lot must be said when it is fitted."""

    id: str
    name: str
    spoken: tuple[str, ...]
    quantity: int
    replaces_old: bool
    lot_required: bool


@dataclass(frozen=True)
class PhotoView:
    """A picture that is asked for. ``measures`` is what is measured on it; ``reading`` is the reading whose limits
    judge that value and with whose spoken value it must agree."""

    id: str
    name: str
    spoken: tuple[str, ...]
    measures: Literal["tip_height"] | None
    reading: str | None
    rim_diameter_mm: Decimal | None


@dataclass(frozen=True)
class Need:
    """One thing that a stage must contain. ``part`` with ref ``*`` means the whole kit."""

    kind: NeedKind
    ref: str


@dataclass(frozen=True)
class Stage:
    """One step of the job, in the order of the file."""

    id: str
    name: str
    spoken: tuple[str, ...]
    needs: tuple[Need, ...]


@dataclass(frozen=True)
class Order:
    """``then`` may only be done once ``first`` is on record; ``sentence`` says why."""

    first: Need
    then: Need
    sentence: str


@dataclass(frozen=True)
class Role:
    """Somebody who signs; ``differs_from`` names roles that must be held by another person."""

    id: str
    name: str
    spoken: tuple[str, ...]
    differs_from: tuple[str, ...]


@dataclass(frozen=True)
class Procedure:
    """A kind of job, complete. ``interval_months``: months until the next service is due, None when the procedure
    names none. ``digest`` is the SHA-256 of the file it was read from, ``text`` that file. ``wake``: phrases that call
    the bench where it listens only when called."""

    id: str
    name: str
    version: str
    source: str
    cautions: tuple[str, ...]
    stages: tuple[Stage, ...]
    identities: tuple[Identity, ...]
    instruments: tuple[Instrument, ...]
    readings: tuple[Reading, ...]
    counters: tuple[Counter, ...]
    checks: tuple[Check, ...]
    parts: tuple[Part, ...]
    photos: tuple[PhotoView, ...]
    orders: tuple[Order, ...]
    roles: tuple[Role, ...]
    pronunciations: Mapping[str, tuple[str, ...]]
    digest: str
    text: str
    interval_months: int | None = None
    wake: tuple[str, ...] = ()

    def stage(self, id_: str) -> Stage:
        """The stage with this id; KeyError when there is none."""
        return _find(self.stages, id_)

    def reading(self, id_: str) -> Reading:
        """The reading with this id; KeyError when there is none."""
        return _find(self.readings, id_)

    def instrument(self, id_: str) -> Instrument:
        """The kind of instrument with this id; KeyError when there is none."""
        return _find(self.instruments, id_)

    def identity(self, id_: str) -> Identity:
        """The identity field with this id; KeyError when there is none."""
        return _find(self.identities, id_)

    def counter(self, id_: str) -> Counter:
        """The counter with this id; KeyError when there is none."""
        return _find(self.counters, id_)

    def check(self, id_: str) -> Check:
        """The check with this id; KeyError when there is none."""
        return _find(self.checks, id_)

    def part(self, id_: str) -> Part:
        """The part with this id; KeyError when there is none."""
        return _find(self.parts, id_)

    def photo(self, id_: str) -> PhotoView:
        """The photo view with this id; KeyError when there is none."""
        return _find(self.photos, id_)

    def role(self, id_: str) -> Role:
        """The role with this id; KeyError when there is none."""
        return _find(self.roles, id_)


HOLDERS: Mapping[str, str] = {
    "identity": "identities",
    "instrument": "instruments",
    "reading": "readings",
    "turn": "counters",
    "check": "checks",
    "part": "parts",
    "photo": "photos",
    "photo_asked": "photos",
    "stage": "stages",
    "sign_off": "roles",
}
"""Which attribute of a procedure holds what an entry of a kind is about."""


class _Named(Protocol):
    @property
    def id(self) -> str: ...


_N = TypeVar("_N", bound=_Named)


def _find(items: tuple[_N, ...], id_: str) -> _N:
    for item in items:
        if item.id == id_:
            return item
    raise KeyError(id_)
