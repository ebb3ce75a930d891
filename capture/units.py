"""Units that a reading may be said in, with exact conversion factors.

Every factor is an exact rational number to the quantity's base unit: the SI unit, save for plane angle, whose base is
the full turn (a radian is no rational part of a turn). Definitions: BIPM, SI Brochure, 9th edition (2019); inch, pound
and pound-force: NIST SP 811 (2008), section 5 and appendix B, which also gives the conventional column of water
(density 1000 kg/m3, standard acceleration of free fall 9.80665 m/s2).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal
from fractions import Fraction
from types import MappingProxyType

from capture.errors import UsageError

SIGNIFICANT_DIGITS = 12
"""Digits that `convert` keeps: far more than any gauge shows, few enough to stay readable."""

_CONTEXT = Context(prec=SIGNIFICANT_DIGITS, rounding=ROUND_HALF_EVEN)


@dataclass(frozen=True)
class Unit:
    """A unit. ``spoken`` holds its plural as said aloud, the first form being used in read-back; ``spoken_one`` the
    singular where it differs. ``factor`` times a value gives the value in the quantity's base unit."""

    id: str
    symbol: str
    spoken: tuple[str, ...]
    spoken_one: str | None
    quantity: str
    factor: Fraction
    definition: str

    @property
    def forms(self) -> tuple[str, ...]:
        """All ways of saying it, plural and singular."""
        return self.spoken if self.spoken_one is None else (*self.spoken, self.spoken_one)


_FREE_FALL = Fraction("9.80665")
_INCH = Fraction("0.0254")
_POUND_FORCE = Fraction("0.45359237") * _FREE_FALL
_WATER = 1000 * _FREE_FALL  # Pa per metre of water

_SI = "SI Brochure, 9th edition"
_WATER_SOURCE = "conventional column of water, 1000 kg/m3 and 9.80665 m/s2: NIST SP 811 (2008) B.8"

_TABLE: tuple[Unit, ...] = (
    Unit("Pa", "Pa", ("pascals",), "pascal", "pressure", Fraction(1), _SI),
    Unit("hPa", "hPa", ("hectopascals",), "hectopascal", "pressure", Fraction(100), _SI),
    Unit("kPa", "kPa", ("kilopascals", "k p a"), "kilopascal", "pressure", Fraction(1000), _SI),
    Unit("MPa", "MPa", ("megapascals",), "megapascal", "pressure", Fraction(10**6), _SI),
    Unit("bar", "bar", ("bar", "bars"), None, "pressure", Fraction(10**5), "100 kPa exactly: NIST SP 811 (2008) B.8"),
    Unit("mbar", "mbar", ("millibar", "millibars"), None, "pressure", Fraction(100), "0.001 bar: SP 811 (2008) B.8"),
    Unit(
        "psi", "psi", ("p s i", "pounds per square inch", "pounds"), None, "pressure", _POUND_FORCE / _INCH**2,
        "pound-force (0.453 592 37 kg x 9.80665 m/s2) per square inch (25.4 mm): NIST SP 811 (2008) B.8",
    ),
    Unit(
        "inH2O", "inH\u2082O", ("inches of water", "inches water", "inches water column"), "inch of water", "pressure",
        _WATER * _INCH, _WATER_SOURCE,
    ),
    Unit(
        "mmH2O", "mmH\u2082O", ("millimetres of water", "millimetres water", "millimetres water column"),
        "millimetre of water", "pressure", _WATER / 1000, _WATER_SOURCE,
    ),
    Unit(
        "cmH2O", "cmH\u2082O", ("centimetres of water", "centimetres water", "centimetres water column"),
        "centimetre of water", "pressure", _WATER / 100, _WATER_SOURCE,
    ),
    Unit("m", "m", ("metres",), "metre", "length", Fraction(1), _SI),
    Unit("cm", "cm", ("centimetres",), "centimetre", "length", Fraction(1, 100), _SI),
    Unit("mm", "mm", ("millimetres",), "millimetre", "length", Fraction(1, 1000), _SI),
    Unit("um", "\u00b5m", ("micrometres", "microns"), "micrometre", "length", Fraction(1, 10**6), _SI),
    Unit("in", "in", ("inches",), "inch", "length", _INCH, "25.4 mm exactly: NIST SP 811 (2008) B.8"),
    Unit(
        "thou", "thou", ("thou",), None, "length", _INCH / 1000,
        "0.001 inch (mil): NIST SP 811 (2008) B.8",
    ),
    Unit("turn", "turn", ("turns",), "turn", "angle", Fraction(1), "a full turn, 360 degrees"),
    Unit("deg", "\u00b0", ("degrees",), "degree", "angle", Fraction(1, 360), "1/360 of a full turn"),
    Unit("Nm", "N\u00b7m", ("newton metres",), "newton metre", "torque", Fraction(1), _SI),
    Unit("Ncm", "N\u00b7cm", ("newton centimetres",), "newton centimetre", "torque", Fraction(1, 100), _SI),
    Unit(
        "inlb", "in\u00b7lbf", ("inch pounds",), "inch pound", "torque", _POUND_FORCE * _INCH,
        "pound-force inch: NIST SP 811 (2008) B.8",
    ),
    Unit(
        "ftlb", "ft\u00b7lbf", ("foot pounds",), "foot pound", "torque", _POUND_FORCE * _INCH * 12,
        "pound-force foot: NIST SP 811 (2008) B.8",
    ),
    Unit("s", "s", ("seconds",), "second", "time", Fraction(1), _SI),
    Unit("min", "min", ("minutes",), "minute", "time", Fraction(60), _SI),
    Unit(
        "L/min", "L/min", ("litres per minute", "litres a minute"), "litre per minute", "volume_flow",
        Fraction(1, 60000), "litre per minute at the stated conditions, no correction to standard conditions",
    ),
    Unit(
        "degC", "\u00b0C", ("degrees celsius", "degrees c"), "degree celsius", "temperature", Fraction(1),
        "degree Celsius; the only unit of temperature here, so no offset arises",
    ),
)  # fmt: skip

UNITS: Mapping[str, Unit] = MappingProxyType({unit.id: unit for unit in _TABLE})
"""All units by id."""

QUANTITIES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {q: tuple(u.id for u in _TABLE if u.quantity == q) for q in dict.fromkeys(u.quantity for u in _TABLE)}
)
"""Unit ids by quantity (pressure, length, angle, torque, time, volume_flow, temperature)."""


def unit(id_: str) -> Unit:
    """The unit with this id; UsageError when there is none."""
    try:
        return UNITS[id_]
    except KeyError:
        raise UsageError(f"There is no unit '{id_}'; use one of {', '.join(UNITS)}.") from None


def convert(value: Decimal, from_unit: str, to_unit: str) -> Decimal:
    """``value`` of ``from_unit`` expressed in ``to_unit``.

    The arithmetic is exact; the result is rounded once, half to even, to 12 significant digits. The same unit gives
    the value back unchanged, digits and all. UsageError for an unknown unit or another quantity.
    """
    source, target = unit(from_unit), unit(to_unit)
    if source.quantity != target.quantity:
        raise UsageError(
            f"{source.symbol} ({source.quantity}) cannot be converted to {target.symbol} ({target.quantity}); "
            f"use one of {', '.join(QUANTITIES[source.quantity])}."
        )
    if from_unit == to_unit:
        return value
    return to_decimal(Fraction(value) * source.factor / target.factor)


def to_decimal(value: Fraction) -> Decimal:
    """A fraction as a decimal of at most 12 significant digits, rounded half to even, without trailing zeros."""
    quotient = _CONTEXT.divide(Decimal(value.numerator), Decimal(value.denominator))
    shortest = quotient.normalize(_CONTEXT)
    return shortest if int(shortest.as_tuple().exponent) <= 0 else shortest.quantize(Decimal(1))
