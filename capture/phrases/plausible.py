"""In which of a reading's units a bare number may have been meant."""

from __future__ import annotations

from decimal import Decimal

from capture.procedure.model import Reading
from capture.units import convert


def is_plausible(value: Decimal, unit: str, reading: Reading) -> bool:
    """Whether ``value`` of ``unit`` lies in the reading's plausible range."""
    return reading.plausible_low <= convert(value, unit, reading.unit) <= reading.plausible_high


def plausible_units(value: Decimal, reading: Reading) -> tuple[str, ...]:
    """The reading's units, its default first, in which ``value`` is plausible."""
    return tuple(unit for unit in reading.units if is_plausible(value, unit, reading))
