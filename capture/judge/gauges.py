"""Gauges: which one a reading was taken with, how uncertain it is, and whether it may be used at all."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from capture.judge.entry import Warned
from capture.judge.uncertainty import expanded_uncertainty
from capture.judge.view import JobView
from capture.judge.warned import warned
from capture.procedure.model import Instrument, Procedure, Reading


def gauge_of(
    procedure: Procedure, view: JobView, reading: Reading, place: int, day: date
) -> tuple[str | None, tuple[Warned, ...]]:
    """The number of the gauge that a reading at ``place`` was taken with, and what is wrong with that gauge."""
    if reading.instrument is None:
        return None, ()
    kind = procedure.instrument(reading.instrument)
    held = view.last("instrument", kind.id, before=place)
    if held is None:
        missing = warned(
            "instrument_missing",
            f"{reading.name} was read, but no {kind.name} has been named.",
            f"Say which {kind.name} is in use{_particulars(kind)}.",
        )
        return None, (missing,)
    serial, due = held.data["serial"], held.data["due"]
    return serial, gauge_warnings(kind, serial, None if due is None else date.fromisoformat(due), day)


def gauge_uncertainty(procedure: Procedure, reading: Reading) -> Decimal | None:
    """Expanded uncertainty of a spoken reading, from its kind of gauge, in its default unit; None when unknown."""
    if reading.instrument is None:
        return None
    return expanded_uncertainty(procedure.instrument(reading.instrument), reading.unit)


def gauge_warnings(kind: Instrument, serial: str | None, due: date | None, day: date) -> tuple[Warned, ...]:
    """What is wrong with a named gauge on ``day``: no number, no due date, overdue."""
    found = []
    if kind.serial_required and not serial:
        found.append(
            warned(
                "instrument_missing",
                f"The {kind.name} was named without its number.",
                f"Read the number from the {kind.name} and name it again with it.",
            )
        )
    if due is None and kind.due_required:
        found.append(
            warned(
                "instrument_missing",
                f"It is not known until when the {kind.name}{_number(serial)} is calibrated.",
                "Read the due date from its label and name it again with it.",
            )
        )
    if due is not None and due < day:
        found.append(
            warned(
                "instrument_overdue",
                f"The calibration of the {kind.name}{_number(serial)} was due on {due.isoformat()}, before this day.",
                "Use one whose calibration is in date and take its readings again.",
            )
        )
    return tuple(found)


def _particulars(kind: Instrument) -> str:
    wanted = [
        name for name, required in (("number", kind.serial_required), ("due date", kind.due_required)) if required
    ]
    return f", with its {' and '.join(wanted)}" if wanted else ""


def _number(serial: str | None) -> str:
    return f" {serial}" if serial else ""
