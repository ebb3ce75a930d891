"""Uncertainty arithmetic after the GUM (JCGM 100:2008): combining, effective degrees of freedom, propagation."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal

import numpy as np

from vision.model import Array, Component


@dataclass(frozen=True)
class Combined:
    """Combined standard uncertainty ``u`` and its effective degrees of freedom."""

    u: float
    dof: float


def shown(expanded_mm: float) -> str:
    """An expanded uncertainty as it is written beside a value: two significant digits, rounded up (GUM 7.2.6)."""
    exact = Decimal(repr(float(expanded_mm)))
    if not exact:
        return "0"
    return format(exact.quantize(Decimal(1).scaleb(exact.adjusted() - 1), ROUND_CEILING), "f")


def combine(rows: Sequence[Component]) -> Combined:
    """Root sum of squares of independent contributions (GUM eq. 10) and Welch-Satterthwaite (GUM G.2b).

    Args:
        rows: the components; contributions in one common unit.
    """
    u = math.sqrt(sum(r.contribution_mm**2 for r in rows))
    denominator = sum(r.contribution_mm**4 / r.dof for r in rows if math.isfinite(r.dof))
    return Combined(u, math.inf if denominator == 0 else u**4 / denominator)


def propagate(
    fn: Callable[[Array], float], x: Array, covariance: Array, steps: Array | None = None
) -> tuple[float, float]:
    """First-order propagation with correlations (GUM eq. 13).

    Args:
        fn: the model, (n,) to a number.
        x: inputs (n,).
        covariance: of the inputs (n, n).
        steps: for central differences (n,); by default a tenth of each standard uncertainty.

    Returns:
        value and standard uncertainty.
    """
    h = 0.1 * np.sqrt(np.diag(covariance)) if steps is None else steps
    h = np.where(h > 0, h, 1e-9)
    grad = np.array([(fn(x + d) - fn(x - d)) / (2 * h[k]) for k, d in enumerate(np.diag(h))])
    return float(fn(x)), float(np.sqrt(max(grad @ covariance @ grad, 0.0)))


@dataclass(frozen=True)
class Line:
    """A least-squares line y = a + b (x - x0): its parameters, standard uncertainties, correlation, residual sd."""

    a: float
    b: float
    u_a: float
    u_b: float
    correlation: float
    s: float
    x0: float
    dof: int

    def at(self, x: float) -> tuple[float, float]:
        """Predicted y and its standard uncertainty (GUM H.3.4)."""
        d = x - self.x0
        u2 = self.u_a**2 + (d * self.u_b) ** 2 + 2 * d * self.u_a * self.u_b * self.correlation
        return self.a + self.b * d, math.sqrt(max(u2, 0.0))


def fit_line(x: Array, y: Array, x0: float = 0.0) -> Line:
    """Fit a line by least squares with equal weights (GUM H.3).

    Raises:
        ValueError: fewer than three points or all x equal.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    n = len(x)
    if n < 3 or n != len(y) or float(np.ptp(x)) == 0:
        raise ValueError(f"a line needs at least three points with different x, got {n}; give more points")
    t = x - x0
    design = np.stack([np.ones(n), t], axis=1)
    inv = np.linalg.inv(design.T @ design)
    a, b = inv @ design.T @ y
    s2 = float(np.sum((y - a - b * t) ** 2)) / (n - 2)
    cov = inv * s2
    ua, ub = math.sqrt(cov[0, 0]), math.sqrt(cov[1, 1])
    r = float(cov[0, 1] / (ua * ub)) if ua > 0 and ub > 0 else 0.0
    return Line(float(a), float(b), ua, ub, r, math.sqrt(s2), x0, n - 2)
