"""Amounts and things in a technician's words, for sentences and spoken replies. Pure text, no judgement."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any

from capture.judge.entry import Entry
from capture.procedure.model import HOLDERS, Counter, NeedKind, Procedure
from capture.units import UNITS

_PARTS = {
    2: ("half a turn", "half turns"),
    3: ("a third of a turn", "thirds of a turn"),
    4: ("a quarter turn", "quarter turns"),
    6: ("a sixth of a turn", "sixths of a turn"),
    8: ("an eighth of a turn", "eighths of a turn"),
    12: ("a twelfth of a turn", "twelfths of a turn"),
    16: ("a sixteenth of a turn", "sixteenths of a turn"),
    24: ("a twenty-fourth of a turn", "twenty-fourths of a turn"),
}
_DIGIT_NAMES = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_DIGITS = dict(zip("0123456789", _DIGIT_NAMES, strict=True))
_MARKS = {".": "point", "-": "dash", "/": "slash"}


def text(amount: Decimal) -> str:
    """A decimal as plain digits, never with an exponent."""
    return format(amount, "f")


def shown(amount: Decimal, decimals: int) -> str:
    """A computed amount rounded for reading: at most ``decimals`` + 1 places, without trailing zeros."""
    rounded = format(round(amount, decimals + 1), "f")
    rounded = rounded.rstrip("0").rstrip(".") if "." in rounded else rounded
    return "0" if rounded in {"-0", ""} else rounded


def with_unit(amount: str, unit: str) -> str:
    """``amount`` with the unit's name as it is written: "1.1 inches of water", "138 psi"."""
    known = UNITS.get(unit)
    if known is None:
        return f"{amount} {unit}"
    spoken = unit_words(unit, amount)
    return f"{amount} {known.symbol if all(len(word) == 1 for word in spoken.split()) else spoken}"


def turns(amount: Fraction) -> str:
    """Turns without sign: "a quarter turn", "5 twelfths of a turn", "1 turn", "1 1/4 turns"."""
    amount = abs(amount)
    whole, rest = divmod(amount, 1)
    if whole == 0 and rest.denominator in _PARTS:
        one, many = _PARTS[rest.denominator]
        return one if rest.numerator == 1 else f"{rest.numerator} {many}"
    if rest == 0:
        return "1 turn" if whole == 1 else f"{whole} turns"
    return f"{whole} {rest} turns" if whole else f"{rest} of a turn"


def direction(counter: Counter, sign: int) -> str:
    """The counter's first direction word for this sign; "forwards" or "backwards" when it has none."""
    for known in counter.directions:
        if known.sign == sign and known.spoken:
            return known.spoken[0]
    return "forwards" if sign > 0 else "backwards"


def spelled(value: str) -> str:
    """A value digit by digit, letters one by one: "-2.10" is "minus two point one zero", "K7-04" "K seven dash zero
    four"."""
    sign = "minus " if value.startswith("-") else ""
    marks = [mark for mark in value.removeprefix("-") if mark != "+" and not mark.isspace()]
    return sign + " ".join(_DIGITS.get(mark, _MARKS.get(mark, mark)) for mark in marks)


def unit_words(unit: str, amount: str = "") -> str:
    """The unit's spoken name, in the singular when ``amount`` is 1."""
    known = UNITS.get(unit)
    if known is None:
        return unit
    return known.spoken_one if known.spoken_one is not None and amount in {"1", "-1"} else known.spoken[0]


def name_of(procedure: Procedure, kind: str, ref: str | None) -> str:
    """The procedure's name of the thing ``ref`` of a need's or an entry's ``kind``; ``ref`` itself when unknown."""
    if ref is None:
        return kind.replace("_", " ")
    return next((str(item.name) for item in _items(procedure, kind) if item.id == ref), ref)


def knows(procedure: Procedure, kind: str, ref: str | None) -> bool:
    """Whether the procedure has a thing ``ref`` of this need's or entry's ``kind``; kinds without things always."""
    return kind not in HOLDERS or any(item.id == ref for item in _items(procedure, kind))


def _items(procedure: Procedure, kind: str) -> tuple[Any, ...]:
    return getattr(procedure, HOLDERS[kind]) if kind in HOLDERS else ()


def answer_words(procedure: Procedure, check: str, answer: str) -> str:
    """An answer to a check as it is said."""
    for known in procedure.checks:
        if known.id == check:
            return next((a.spoken[0] for a in known.answers if a.id == answer and a.spoken), answer)
    return answer


def read_back(procedure: Procedure, entry: Entry) -> str:
    """An entry as it is read back: the thing first, then its value digit by digit, then whether it is confirmed."""
    name = name_of(procedure, entry.kind, entry.subject)
    words = ", ".join(part for part in (name, _value(procedure, entry)) if part)
    return f"{words}, not confirmed" if entry.status == "unconfirmed" else words


def _value(procedure: Procedure, entry: Entry) -> str:
    data = entry.data
    match entry.kind:
        case "reading":
            photographed = " from the photo" if data["via"] == "photo" else ""
            return f"{spelled(data['value'])} {unit_words(data['unit'], data['value'])}{photographed}"
        case "turn":
            amount = Fraction(data["turns"])
            return f"{turns(amount)} {data['direction']}"
        case "check":
            return answer_words(procedure, data["check"], data["answer"])
        case "part":
            lot = f", lot {spelled(data['lot'])}" if data["lot"] else ""
            return f"{spelled(str(data['quantity']))} {data['action']}{lot}"
        case "instrument":
            serial = f"number {spelled(data['serial'])}" if data["serial"] else "without a number"
            return f"{serial}, due {data['due']}" if data["due"] else serial
        case "identity":
            return spelled(data["value"])
        case "photo":
            return str(data["outcome"]).replace("_", " ")
        case "note":
            return str(data["text"])
        case "sign_off":
            return str(data["person"] or "")
        case _:
            return ""


NEED_VERBS: Mapping[NeedKind, str] = {
    "identity": "has not been said",
    "instrument": "has not been named",
    "reading": "has not been said",
    "turn": "has not been turned",
    "check": "has not been answered",
    "part": "has not been fitted",
    "photo": "has not been photographed",
}
"""How the lack of each kind of need is put into words."""
