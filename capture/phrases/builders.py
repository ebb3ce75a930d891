"""From what a form's slots took to a statement, or to a refusal that says why not."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

from capture.phrases import statements as st
from capture.phrases.amounts import Amount
from capture.phrases.plausible import is_plausible, plausible_units
from capture.phrases.slots import Counts
from capture.procedure import language as lang
from capture.procedure.inside import phrases
from capture.procedure.model import Check, Counter, Identity, Instrument, Part, Reading
from capture.units import UNITS

Taken = Mapping[str, Any]


@dataclass(frozen=True)
class Spot:
    """Where a statement stands in the utterance, and its words as heard."""

    words: str
    span: tuple[int, int]

    def refused(self, reason: str, sentence: str, field: str | None = None) -> st.Refused:
        """A refusal at this place."""
        return st.Refused(words=self.words, span=self.span, reason=reason, sentence=sentence, field=field)


def reading(spot: Spot, taken: Taken) -> st.Said:
    """A reading, if its unit is right or can be assumed."""
    field: Reading = taken["reading"]
    amount: Amount = taken["amount"]
    if amount.text is None:
        return spot.refused(
            "bad_number", f"{field.name}: that fraction has no finite decimal; say the value as a decimal.", field.id
        )
    if amount.unit is None or (amount.unit == "deg" and field.quantity == "temperature"):
        return _without_unit(spot, field, amount, amount.text)
    if amount.unit not in field.units:
        return spot.refused("wrong_unit", _wrong_unit(field, amount.unit), field.id)
    return st.ReadingSaid(
        words=spot.words,
        span=spot.span,
        field=field.id,
        value=amount.text,
        unit=amount.unit,
        alternatives=_others(amount, amount.unit, field),
    )


def _others(amount: Amount, unit: str, field: Reading) -> tuple[Decimal, ...]:
    """The other values of the same words that are plausible and that the reading's decimals could show."""
    return tuple(
        other
        for other in amount.alternatives
        if is_plausible(other, unit, field)
        and (unit != field.unit or -int(other.as_tuple().exponent) <= field.decimals)
    )


def _wrong_unit(field: Reading, unit: str) -> str:
    said, choices = UNITS[unit], _either(UNITS[own].spoken[0] for own in field.units)
    if said.quantity != field.quantity:
        return (
            f"{said.symbol} is a unit of {said.quantity}, but {field.name} is a {field.quantity}: say it in {choices}."
        )
    return f"{field.name} is not taken in {said.symbol}: say it in {choices}."


def _without_unit(spot: Spot, field: Reading, amount: Amount, value: Decimal) -> st.Said:
    fitting = plausible_units(value, field)
    if fitting == (field.unit,):
        return st.ReadingSaid(
            words=spot.words,
            span=spot.span,
            field=field.id,
            value=value,
            unit=field.unit,
            unit_assumed=True,
            alternatives=_others(amount, field.unit, field),
        )
    if len(fitting) > 1:
        why = f"{value} could be {_either(UNITS[unit].spoken[0] for unit in fitting)}"
    elif fitting:
        why = f"{value} is not plausible in {UNITS[field.unit].spoken[0]}, the unit taken when none is said"
    else:
        why = f"{value} is not plausible in any unit of this reading"
    return spot.refused("unit_missing", f"{field.name}: no unit was said, and {why}; say it with its unit.", field.id)


def turn(spot: Spot, taken: Taken) -> st.Said | None:
    """A move of a counter: direction and amount, in whole smallest steps."""
    counter: Counter = taken["counter"]
    amount: Amount = taken["amount"]
    direction = taken["direction"]
    if isinstance(direction, tuple):  # said before the counter: see whether it is one of its own
        direction = next((d for d in counter.directions if direction in phrases(d.spoken)), None)
        if direction is None:
            return None
    if amount.unit is None and not amount.fraction:  # "a quarter" can only be of a turn
        return spot.refused(
            "unit_missing", f"{counter.name}: say turns or degrees after the number, such as 'a quarter turn'."
        )
    unit = UNITS[amount.unit or "turn"]
    if unit.quantity != "angle":
        return spot.refused(
            "wrong_unit",
            f"{unit.symbol} is a unit of {unit.quantity}, but {counter.name} is turned: say turns or degrees.",
        )
    turns = amount.value * unit.factor
    if turns <= 0:
        return spot.refused("bad_number", f"{counter.name}: say how far as an amount above zero, and which way.")
    if (turns / counter.smallest_step).denominator != 1:
        return spot.refused(
            "bad_step", f"{counter.name} moves in steps of {counter.smallest_step} turn, and {_turns(turns)} is no "
                        "whole number of them: say it again.",
        )  # fmt: skip
    said = next(form for form in direction.spoken)
    return st.TurnSaid(
        words=spot.words, span=spot.span, counter=counter.id, turns=turns * direction.sign, direction=said
    )


def check(spot: Spot, taken: Taken) -> st.Said:
    """A check and its answer."""
    subject: Check = taken["check"]
    return st.CheckSaid(words=spot.words, span=spot.span, check=subject.id, answer=taken["answer"])


def part(spot: Spot, taken: Taken) -> st.Said:
    """Parts in or out, with how many."""
    subject: Part = taken["part"]
    action = taken.get("action") or taken["fitted"]
    if (taken.get("age"), action) in ((lang.OLD, "fitted"), (lang.NEW, "removed")):
        return spot.refused("contradiction", f"{subject.name}: old parts are removed and new ones fitted; say which.")
    count = taken.get("count")
    if count is None and subject.quantity == 1:
        count = 1
    elif count == Counts.ALL:
        count = subject.quantity
    elif count == Counts.BOTH:
        count = 2
    if count is None:
        return spot.refused("quantity_missing", f"{subject.name}: the kit has {subject.quantity}; say how many.")
    if count < 1:
        return spot.refused("bad_number", f"{subject.name}: say how many as a number above zero.")
    return st.PartSaid(
        words=spot.words, span=spot.span, part=subject.id, action=action, quantity=count, lot=taken.get("code")
    )


def instrument(spot: Spot, taken: Taken) -> st.Said:
    """The gauge in use."""
    kind: Instrument = taken["instrument"]
    return st.InstrumentSaid(
        words=spot.words, span=spot.span, kind=kind.id, serial=taken.get("code"), due=taken.get("date")
    )


def bare_instrument(spot: Spot, taken: Taken) -> st.Said | None:
    """A gauge without a number, where the procedure asks for none."""
    kind: Instrument = taken["instrument"]
    return None if kind.serial_required or kind.due_required else instrument(spot, taken)


def identity(spot: Spot, taken: Taken) -> st.Said:
    """A spelled field of the unit on the bench, if it fits its pattern."""
    field: Identity = taken["identity"]
    value: str = taken["code"]
    if field.pattern is not None and not re.fullmatch(field.pattern, value):
        return spot.refused(
            "bad_identity", f"{field.name}: '{value}' is not of the form that this procedure asks for "
                            f"({field.pattern}); spell it again.", field.id,
        )  # fmt: skip
    return st.IdentitySaid(words=spot.words, span=spot.span, field=field.id, value=value)


def stage(spot: Spot, taken: Taken) -> st.Said:
    """A stage begins."""
    return st.StageSaid(words=spot.words, span=spot.span, stage=taken["stage"].id)


def photo(spot: Spot, taken: Taken) -> st.Said:
    """A picture is taken."""
    return st.PhotoSaid(words=spot.words, span=spot.span, view=taken["photo"].id)


def sign_off(spot: Spot, taken: Taken) -> st.Said:
    """Somebody signs."""
    return st.SignOffSaid(words=spot.words, span=spot.span, role=taken["role"].id)


def note(spot: Spot, taken: Taken) -> st.Said:
    """A note, its words as heard."""
    heard = spot.words.split(" ")
    return st.NoteSaid(words=spot.words, span=spot.span, text=" ".join(heard[1:]))


def command(spot: Spot, taken: Taken) -> st.Said | None:
    """A word of conversation, for some of them about a reading."""
    word: st.CommandWord = taken["command"]
    field: Reading | None = taken.get("reading")
    if field is not None and word in ("disregard", "what_is_missing"):
        return None
    return st.CommandSaid(words=spot.words, span=spot.span, command=word, field=field.id if field else None)


def _either(texts: Iterable[str]) -> str:
    *most, last = texts
    return f"{', '.join(most)} or {last}" if most else last


def _turns(turns: Fraction) -> str:
    return f"{turns} turn" if turns <= 1 else f"{turns} turns"
