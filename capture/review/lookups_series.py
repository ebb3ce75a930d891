"""A unit's values over the years: one line of best fit for each reading, stage and way of taking it."""

from __future__ import annotations

import math
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

YEAR_S = 365.2425 * 86400.0

_POINTS = """
SELECT r.field, coalesce(r.stage, ''), coalesce(r.via, ''), r.amount_unit, r.job, r.at, r.at_s, r.amount, r.expanded
FROM job AS j JOIN reading AS r ON r.job = j.job
WHERE j.unit = ? AND r.gone = 0 AND r.status = 'accepted' ORDER BY r.at_s, r.seq
"""


@dataclass(frozen=True)
class Point:
    """The last value of one job: RFC 3339 time, seconds since 1970, amount, standard uncertainty (0 when unknown)."""

    at: str
    at_s: float
    amount: float
    standard: float


@dataclass(frozen=True)
class Fit:
    """Least-squares line through points: change a year, and the change from first to last point as a multiple of what
    the points scatter about the line or, when that is more, of their standard uncertainty (0 when neither is known)."""

    per_year: float
    score: float


def fit(points: Sequence[Point]) -> Fit:
    """Fit a line (ordinary least squares; the scatter is the residual standard deviation with n - 2 degrees of
    freedom).

    Args:
        points: two or more, in the order of time.
    """
    count = len(points)
    years = [(point.at_s - points[0].at_s) / YEAR_S for point in points]
    mean_t = sum(years) / count
    mean_v = sum(point.amount for point in points) / count
    spread = sum((t - mean_t) ** 2 for t in years)
    if not spread:
        return Fit(0.0, 0.0)
    slope = sum((t - mean_t) * (point.amount - mean_v) for t, point in zip(years, points, strict=True)) / spread
    residual = sum((point.amount - mean_v - slope * (t - mean_t)) ** 2 for t, point in zip(years, points, strict=True))
    scatter = math.sqrt(residual / (count - 2)) if count > 2 else 0.0
    standard = math.sqrt(sum(point.standard**2 for point in points) / count)
    change = abs(slope) * (years[-1] - years[0])
    doubt = max(scatter, standard)
    return Fit(slope, change / doubt if doubt > 0 else 0.0)


def refresh_series(index: sqlite3.Connection, units: Iterable[str]) -> None:
    """Fit the lines of these units again."""
    for unit in units:
        index.execute("DELETE FROM series WHERE unit = ?", (unit,))
        groups: dict[tuple[str, str, str, str], dict[str, Point]] = defaultdict(dict)
        for field, stage, via, amount_unit, job, at, at_s, amount, expanded in index.execute(_POINTS, (unit,)):
            standard = float(expanded) / 2 if expanded is not None else 0.0
            groups[field, stage, via, amount_unit][job] = Point(at, at_s, float(amount), standard)
        for key, jobs in groups.items():
            points = sorted(jobs.values(), key=lambda point: point.at_s)
            if len(points) < 2:
                continue
            line = fit(points)
            ends = (points[0].at, points[-1].at, points[0].amount, points[-1].amount)
            index.execute(
                "INSERT INTO series VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (unit, *key, len(points), *ends, line.per_year, line.score),
            )
