"""What is read back: the field first, then the value digit by digit, so that it cannot be mistaken for another.

Digit by digit as in ICAO Annex 10, volume II, 5.2.1.4 (from memory).
"""

from __future__ import annotations

from datetime import date
from fractions import Fraction

from capture.phrases import statements as st
from capture.phrases.spelled import spell
from capture.phrases.statements import Statement
from capture.phrases.ways import fraction_name
from capture.procedure import language as lang
from capture.procedure.language import digits_aloud
from capture.procedure.model import Procedure
from capture.units import UNITS


def read_back(statement: Statement, procedure: Procedure) -> str:
    """The words to be spoken for ``statement``; for what was not taken, its sentence of what to do."""
    match statement:
        case st.ReadingSaid():
            name = procedure.reading(statement.field).spoken[0]
            unit = UNITS[statement.unit]
            spoken = unit.spoken_one if unit.spoken_one and abs(statement.value) == 1 else unit.spoken[0]
            text = f"{name}, {digits_aloud(statement.value)} {spoken}"
            return f"{text}, unit assumed" if statement.unit_assumed else text
        case st.TurnSaid():
            name = procedure.counter(statement.counter).spoken[0]
            return f"{name} {statement.direction}, {_turns(abs(statement.turns))}"
        case st.CheckSaid():
            check = procedure.check(statement.check)
            answer = next(a for a in check.answers if a.id == statement.answer)
            return f"{check.spoken[0]}, {answer.spoken[0]}"
        case st.PartSaid():
            lot = f", lot {spell(statement.lot)}" if statement.lot else ""
            count = digits_aloud(str(statement.quantity))
            return f"{procedure.part(statement.part).spoken[0]}, {count} {statement.action}{lot}"
        case st.InstrumentSaid():
            serial = f", number {spell(statement.serial)}" if statement.serial else ""
            due = f", calibration due {_date(statement.due)}" if statement.due else ""
            return f"{procedure.instrument(statement.kind).spoken[0]}{serial}{due}"
        case st.IdentitySaid():
            return f"{procedure.identity(statement.field).spoken[0]}, {spell(statement.value)}"
        case st.StageSaid():
            return f"stage, {procedure.stage(statement.stage).spoken[0]}"
        case st.PhotoSaid():
            return f"photo, {procedure.photo(statement.view).spoken[0]}"
        case st.SignOffSaid():
            return f"signed, {procedure.role(statement.role).spoken[0]}"
        case st.NoteSaid():
            return f"note, {statement.text}"
        case st.CommandSaid():
            return lang.OPENERS[statement.command][0]
        case st.CorrectionSaid():
            inner = statement.statement
            return f"correction, {read_back(inner, procedure)}" if inner else "correction, the last entry is withdrawn"
        case st.Refused() | st.NotUnderstood():
            return statement.sentence
    raise TypeError(f"{type(statement).__name__} is no statement; give one that parse returned.")


def _turns(turns: Fraction) -> str:
    """Turns in words; parts without a name in degrees, digit by digit."""
    count, rest = divmod(turns.numerator, turns.denominator)
    part = fraction_name(Fraction(rest, turns.denominator)) if rest else None
    if rest and part is None:
        degrees = turns * 360
        if degrees.denominator == 1:
            return f"{digits_aloud(str(degrees))} degrees"
        return f"{digits_aloud(str(turns.numerator))} over {digits_aloud(str(turns.denominator))} of a turn"
    if not rest:
        return "one turn" if count == 1 else f"{digits_aloud(str(count))} turns"
    return f"{digits_aloud(str(count))} and {part} turns" if count else f"{part} turn"


def _date(day: date) -> str:
    month = next(word for word, number in lang.MONTHS.items() if number == day.month)
    return f"{digits_aloud(str(day.day))} {month} {digits_aloud(str(day.year))}"
