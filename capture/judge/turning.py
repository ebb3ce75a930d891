"""Counters of turns: what has been turned so far, and what a stage's budget still allows."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from capture.judge.entry import Warned
from capture.judge.say import name_of, shown, turns, with_unit
from capture.judge.view import JobView, Standing
from capture.judge.warned import warned
from capture.procedure.model import Budget, Counter, Procedure, Unlock


@dataclass(frozen=True)
class Tally:
    """Moves of one counter: in a stage the sum of their amounts and their number, in the whole job the signed sum."""

    stage_total: Fraction
    stage_moves: int
    net: Fraction


@dataclass(frozen=True)
class Left:
    """What a budget still allows; ``locked`` is the sentence why it allows nothing, or None."""

    turns: Fraction
    moves: int | None
    locked: str | None


def tally(view: JobView, counter: str, stage: str | None, *, without: str | None = None) -> Tally:
    """What is on record of a counter; ``without`` leaves the entry with this id out (it is being replaced)."""
    moves = [held for held in view.each("turn", counter) if held.id != without]
    here = [abs(_amount(held)) for held in moves if held.entry.stage == stage]
    return Tally(sum(here, Fraction(0)), len(here), sum((_amount(held) for held in moves), Fraction(0)))


def moved_between(view: JobView, counter: str, after: int, before: int) -> Fraction:
    """The signed sum of a counter's moves between two places."""
    return sum((_amount(held) for held in view.each("turn", counter, before=before) if held.place > after), Fraction(0))


def any_moved_between(view: JobView, after: int, before: int) -> bool:
    """Whether any counter was moved between two places."""
    return any(held.place > after for held in view.each("turn", before=before))


def budget_at(counter: Counter, stage: str | None) -> Budget | None:
    """The counter's budget at a stage, or None when it has none there."""
    return next((budget for budget in counter.budgets if budget.stage == stage), None)


def left(
    procedure: Procedure, view: JobView, counter: Counter, budget: Budget, place: int, value: Standing | None = None
) -> Left:
    """What ``budget`` still allows at ``place``; ``value`` stands for the reading that is being judged just now."""
    done = tally(view, counter.id, budget.stage)
    moves = None if budget.moves is None else max(0, budget.moves - done.stage_moves)
    return Left(max(Fraction(0), budget.turns - done.stage_total), moves, locked(procedure, view, budget, place, value))


def locked(
    procedure: Procedure, view: JobView, budget: Budget, place: int, value: Standing | None = None
) -> str | None:
    """Why the budget is closed at ``place``, as one sentence; None when it is open."""
    unlock = budget.unlock
    if unlock is None:
        return None
    name = name_of(procedure, "reading", unlock.reading)
    last = value
    if last is None or last.entry.subject != unlock.reading:
        held = list(view.each("reading", unlock.reading, before=place))
        last = held[-1] if held else None
    if last is None:
        return f"no {name} is on record yet"
    if not last.believed:
        return f"the last {name} is not confirmed"
    if (unlock.below is not None and last.amount < unlock.below) or (
        unlock.above is not None and last.amount > unlock.above
    ):
        return None
    return f"the last {name} is not {_bounds(procedure, unlock)}"


def budget_warnings(
    procedure: Procedure, view: JobView, counter: Counter, budget: Budget, place: int, after: Tally
) -> tuple[Warned, ...]:
    """Warnings for a move of ``counter``; ``after`` is the tally with that move."""
    found = []
    why = locked(procedure, view, budget, place)
    stage = name_of(procedure, "stage", budget.stage)
    if why is not None:
        found.append(
            warned(
                "turn_budget",
                f"{counter.name} was turned while locked: {why}.",
                "Turn it back and say so; turn it only as the maker's manual allows.",
            )
        )
    if after.stage_total > budget.turns:
        found.append(
            warned(
                "turn_budget",
                f"{counter.name} was turned {turns(after.stage_total)} in all in {stage}; allowed are "
                f"{turns(budget.turns)}.",
                "Stop turning; check the count, correct it if it was misheard, else follow the maker's manual.",
            )
        )
    if budget.moves is not None and after.stage_moves > budget.moves:
        found.append(
            warned(
                "turn_budget",
                f"{counter.name} was moved {_times(after.stage_moves)} in {stage}; allowed is {_times(budget.moves)}.",
                "Stop turning; check the count, correct it if it was misheard, else follow the maker's manual.",
            )
        )
    return tuple(found)


def left_words(remaining: Left) -> str:
    """What is left of a budget: "a quarter turn in 1 move"."""
    if not remaining.turns or remaining.moves == 0:
        return "nothing"
    words = turns(remaining.turns)
    if remaining.moves is None:
        return words
    return f"{words} in {remaining.moves} {'move' if remaining.moves == 1 else 'moves'}"


def _amount(held: Standing) -> Fraction:
    return Fraction(held.data["turns"])


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number} times"


def _bounds(procedure: Procedure, unlock: Unlock) -> str:
    reading = procedure.reading(unlock.reading)
    bounds = []
    if unlock.below is not None:
        bounds.append(f"below {with_unit(shown(unlock.below, reading.decimals), reading.unit)}")
    if unlock.above is not None:
        bounds.append(f"above {with_unit(shown(unlock.above, reading.decimals), reading.unit)}")
    return " or ".join(bounds)
