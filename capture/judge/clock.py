"""Does the wall clock agree with the time that really passed since the last entry."""

from __future__ import annotations

from capture.judge.entry import Moment, Warned
from capture.judge.view import JobView
from capture.judge.warned import warned

TOLERANCE_S = 2.0
"""By how much wall clock and monotonic clock may part between two entries."""

BACKWARDS_S = 0.05
"""By how much the wall clock may seem to run back: the rounding of stored times."""

_TODO = (
    "Check the date and time of this machine; note the right time, and trust the order of the entries, not their times."
)


def clock_warnings(view: JobView, moment: Moment) -> tuple[Warned, ...]:
    """The warning ``clock_jumped``, or nothing. Within a session both clocks are compared; a new session begins its
    monotonic clock anew, so that only a wall clock that runs backwards shows."""
    last = view.newest
    if last is None:
        return ()
    before = last.moment
    wall = (moment.at - before.at).total_seconds()
    real = moment.mono - before.mono
    if moment.session == before.session and (real >= 0 or moment.session):
        if abs(wall - real) > TOLERANCE_S:
            sentence = f"The clock moved by {_seconds(wall)} while {_seconds(real)} passed since the last entry."
            return (warned("clock_jumped", sentence, _TODO),)
        if real < 0:
            return ()
    if wall < -BACKWARDS_S:
        return (warned("clock_jumped", f"The clock ran back by {_seconds(-wall)} since the last entry.", _TODO),)
    return ()


def _seconds(amount: float) -> str:
    return f"{amount:.1f} seconds" if abs(amount) < 120 else f"{amount / 60:.0f} minutes"
