"""Measurement uncertainty: from a gauge's data to an expanded uncertainty, and the probability of conformity.

JCGM 100:2008 (GUM): 4.3.7 (a resolution r is a rectangular distribution of width r, standard uncertainty r / sqrt(12)),
6.2.1 (expanded uncertainty U = k u), 7.2.6 (few digits, rounded up). JCGM 106:2012, clause 7: probability of
conformity of a normally distributed value.
"""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, Decimal, localcontext

from capture.procedure.model import Instrument
from capture.units import convert

COVERAGE = 2
"""The coverage factor k of every expanded uncertainty."""

EXPANDED_DIGITS = 3
"""Significant digits that an expanded uncertainty keeps; verdicts use the amount that is stored."""


def standard_uncertainty(instrument: Instrument) -> Decimal | None:
    """The standard uncertainty of one reading of this kind of gauge, in its unit; None when nothing is known."""
    if instrument.standard_uncertainty is not None:
        return abs(instrument.standard_uncertainty)
    if instrument.resolution is None:
        return None
    with localcontext(prec=28):
        return abs(instrument.resolution) / Decimal(12).sqrt()


def expanded_uncertainty(instrument: Instrument, unit: str) -> Decimal | None:
    """U (k = 2) of one reading of this kind of gauge, in ``unit``, rounded up; None when nothing is known.

    Raises:
        UsageError: the gauge's unit and ``unit`` are of different quantities.
    """
    standard = standard_uncertainty(instrument)
    if standard is None:
        return None
    return round_up(convert(COVERAGE * standard, instrument.unit, unit))


def combined(*expanded: Decimal | None) -> Decimal:
    """Root sum of squares of expanded uncertainties (one unit, uncorrelated, same k); unknown ones (None) add nothing.

    GUM 5.1.2 for a difference of two values.
    """
    with localcontext(prec=28):
        return sum((u * u for u in expanded if u is not None), Decimal(0)).sqrt()


def round_up(amount: Decimal, digits: int = EXPANDED_DIGITS) -> Decimal:
    """A non-negative amount with at most ``digits`` significant digits, rounded away from zero."""
    if amount == 0:
        return Decimal(0)
    with localcontext(prec=40):
        step = Decimal(1).scaleb(amount.adjusted() - digits + 1)
        return (amount / step).to_integral_value(ROUND_CEILING) * step


def conformance_probability(amount: float, standard: float, low: float | None, high: float | None) -> float:
    """The probability, 0 to 1, that the true value lies within ``low`` .. ``high`` (None: open on that side).

    All four in one unit; ``standard`` is the standard uncertainty (k = 1). A normal distribution about ``amount`` and
    no other knowledge of the value are assumed (JCGM 106:2012, 7.2 and 7.3). With ``standard`` 0 the value decides.
    """
    if standard < 0:
        raise ValueError("the standard uncertainty must not be negative; give its amount")
    if standard == 0:
        return float((low is None or amount >= low) and (high is None or amount <= high))
    above = 1.0 if high is None else _normal((high - amount) / standard)
    below = 0.0 if low is None else _normal((low - amount) / standard)
    return min(1.0, max(0.0, above - below))


def _normal(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))
