"""Pass, fail or undecided: one value against one limit by a named decision rule.

Guard band: ISO 14253-1:2017. Conformity is proven only inside the limits shrunk by the expanded uncertainty U,
non-conformity only outside the limits grown by U; between them neither is. Simple: the value alone decides (JCGM
106:2012, 8.2, simple acceptance).
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from capture.judge.entry import Outcome, Verdict
from capture.judge.say import text
from capture.procedure.model import DecisionRule, Limit

GUARD_BAND = (
    "guard band (ISO 14253-1:2017): pass only inside the limits shrunk by U (k = 2), fail only outside the limits "
    "grown by U, undecided between"
)
SIMPLE = "simple: the value alone decides, its uncertainty is not taken into account"
SIMPLE_UNKNOWN = "simple, because no uncertainty is known for this value: the value alone decides"


def verdict(amount: Decimal, expanded: Decimal | None, limit: Limit, rule: DecisionRule, unit: str) -> Verdict:
    """How ``amount`` stands to ``limit``; all amounts in ``unit``.

    Without a known ``expanded`` uncertainty the guard-band rule cannot be applied: the simple one is, and says so.
    """
    if rule == "guard_band" and expanded is not None:
        outcome, words = _guard_band(amount, expanded, limit), GUARD_BAND
    else:
        outcome, words = _simple(amount, limit), SIMPLE if rule == "simple" else SIMPLE_UNKNOWN
    return Verdict(
        outcome=outcome,
        rule=words,
        amount=text(amount),
        expanded=None if expanded is None else text(expanded),
        low=None if limit.low is None else text(limit.low),
        high=None if limit.high is None else text(limit.high),
        unit=unit,
        source=limit.source,
    )


def within(amount: Decimal, limit: Limit) -> bool:
    """Whether the value itself, without uncertainty, keeps to the limit."""
    return (limit.low is None or amount >= limit.low) and (limit.high is None or amount <= limit.high)


def too_coarse(expanded: Decimal | None, limit: Limit) -> bool:
    """Whether no value at all could pass under the guard-band rule, since the limits lie closer than 2 U."""
    return (
        expanded is not None
        and limit.low is not None
        and limit.high is not None
        and limit.high - limit.low < 2 * expanded
    )


def _simple(amount: Decimal, limit: Limit) -> Outcome:
    return "pass" if within(amount, limit) else "fail"


def _guard_band(amount: Decimal, expanded: Decimal, limit: Limit) -> Outcome:
    value, band = Fraction(amount), Fraction(expanded)
    low = None if limit.low is None else Fraction(limit.low)
    high = None if limit.high is None else Fraction(limit.high)
    if (low is not None and value < low - band) or (high is not None and value > high + band):
        return "fail"
    if (low is None or value >= low + band) and (high is None or value <= high - band):
        return "pass"
    return "undecided"
