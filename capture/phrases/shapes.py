"""Readings whose values have every shape that can be said, so that none is expected more than another.

Sentences drawn at random hold few values of any one shape in any one unit. A recogniser that learns from those alone
has heard "seven hundred and fifteen k p a" but never "seven hundred and fifty k p a", and then prefers the former.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from random import Random

from capture.phrases import ways
from capture.procedure.inside import canonical
from capture.procedure.model import Procedure, Reading
from capture.units import convert

WAYS = 6
"""So often each shape is said, each time in some way."""
BEYOND = 10
"""Values may be so many times larger than is plausible: what is out of all proportion must be heard too."""
_TRIES = 8
_LAST_TWO = (range(1), range(1, 10), range(10, 20), range(20, 100, 10), tuple(n for n in range(21, 100) if n % 10))
"""Nothing, one digit, a teen, a ten, a ten and a digit: what whole numbers end in when they are spoken."""


def readings_of_every_shape(procedure: Procedure, seed: int) -> list[str]:
    """Sentences with a reading each; the same seed gives the same ones."""
    rng = Random(seed)
    return [
        " ".join((*canonical(rng.choice(reading.spoken)), *ways.amount(value, unit, rng)))
        for reading in procedure.readings
        for unit in reading.units
        for value in _values(reading, unit, rng)
        for _ in range(WAYS)
    ]


def _values(reading: Reading, unit: str, rng: Random) -> Iterator[Decimal]:
    """A value of each shape that has any in reach."""
    bounds = (min(Decimal(0), reading.plausible_low), max(Decimal(0), reading.plausible_high))
    low, high = (BEYOND * convert(bound, reading.unit, unit) for bound in bounds)
    for places in range(max(reading.decimals, 2) + 1):
        for thousands in range(2):
            for hundreds in range(2):
                for last in _LAST_TWO:
                    drawn = (_drawn(thousands, hundreds, last, places, rng) for _ in range(_TRIES))
                    fitting = (sign * value for value in drawn for sign in (1, -1) if low <= sign * value <= high)
                    yield from [value for value in (next(fitting, None),) if value is not None]


def _drawn(thousands: int, hundreds: int, last: range | tuple[int, ...], places: int, rng: Random) -> Decimal:
    whole = 1000 * thousands * rng.randint(1, 9) + 100 * hundreds * rng.randint(1, 9) + rng.choice(last)
    after = f"{rng.choice(rng.choice(_LAST_TWO)):02}" if places == 2 else "".join(rng.choices("0123456789", k=places))
    return Decimal(f"{whole}.{after}" if after else str(whole))
