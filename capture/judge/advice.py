"""What the procedure's rates suggest: how far to turn which way, what is left of a budget. Always with a caution."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

from capture.judge.entry import Advice
from capture.judge.say import direction, name_of, shown, turns, with_unit
from capture.judge.turning import Left, budget_at, left, left_words
from capture.judge.view import JobView, Standing
from capture.procedure.model import Counter, Limit, Procedure, Rate, Reading

GENERAL_CAUTION = "Follow the maker's manual; the tool only computes."


def caution(procedure: Procedure) -> str:
    """The caution that goes with every advice: the procedure's first one, or a general one."""
    return procedure.cautions[0] if procedure.cautions else GENERAL_CAUTION


def towards_middle(
    procedure: Procedure, view: JobView, reading: Reading, limit: Limit, value: Standing
) -> Advice | None:
    """How to bring ``value``, a reading that does not pass ``limit``, to the middle of its limits.

    None when the limit is open on one side, no rate leads there, or the rate may go either way.
    """
    if limit.low is None or limit.high is None:
        return None
    middle = (limit.low + limit.high) / 2
    sentences = [
        sentence
        for rate in reading.rates
        if (sentence := _one_rate(procedure, view, reading, rate, middle, value)) is not None
    ]
    return Advice(" ".join(sentences), caution(procedure)) if sentences else None


def budget_left(procedure: Procedure, view: JobView, counter: Counter, remaining: Left) -> Advice:
    """What is left of the counter's budget at this stage after the move that is being judged."""
    return Advice(f"Left for {counter.name} in this stage: {left_words(remaining)}.", caution(procedure))


def steps_needed(rate: Rate, smallest_step: Fraction, difference: Decimal) -> int | None:
    """Signed number of smallest steps that change a reading by about ``difference`` (default unit), by the middle of
    the rate, rounded to the nearest, half away from zero; None when the rate does not lead one way."""
    if smallest_step <= 0 or rate.low * rate.high <= 0:
        return None
    middle = (Fraction(rate.low) + Fraction(rate.high)) / 2
    steps = Fraction(difference) / middle * rate.per / smallest_step
    return int(math.copysign(math.floor(abs(steps) + Fraction(1, 2)), steps)) if steps else 0


def _one_rate(
    procedure: Procedure, view: JobView, reading: Reading, rate: Rate, middle: Decimal, value: Standing
) -> str | None:
    counter = procedure.counter(rate.counter)
    steps = steps_needed(rate, counter.smallest_step, middle - value.amount)
    if steps is None:
        return None
    target = f"the middle of the limits, {with_unit(shown(middle, reading.decimals), reading.unit)}"
    if steps == 0:
        return f"{reading.name} is less than one smallest step of {counter.name} from {target}."
    way = direction(counter, 1 if steps > 0 else -1)
    wanted = f"{_steps(abs(steps), counter)} {way} would bring {reading.name} to about {target}"
    budget = budget_at(counter, value.entry.stage)
    if budget is None:
        return f"{counter.name}: {wanted}."
    remaining = left(procedure, view, counter, budget, view.end, value)
    if remaining.locked is not None:
        return f"{counter.name}: {wanted}, but it is locked in this stage: {remaining.locked}."
    allowed = 0 if remaining.moves == 0 else min(abs(steps), remaining.turns // counter.smallest_step)
    stage = name_of(procedure, "stage", budget.stage)
    if allowed == 0:
        return f"{counter.name}: {wanted}, but no turn is left of its budget in {stage}: do not turn it."
    if allowed < abs(steps):
        return (
            f"{counter.name}: {wanted}, but only {_steps(int(allowed), counter)} is left of its budget in {stage} "
            f"({left_words(remaining)}); the middle cannot be reached with it."
        )
    return f"{counter.name}: {wanted}. Left of its budget in {stage} before that: {left_words(remaining)}."


def _steps(number: int, counter: Counter) -> str:
    amount = turns(number * counter.smallest_step)
    if number == 1:
        return amount
    return f"{amount} ({number} steps of {turns(counter.smallest_step)})"
