"""The case's two sides just below the rim: how far apart they are seen tells how far away the case stands.

Beside the case's own edge run others: the card's, a mirrored one, a groove's. And a round body that is not quite matt
mirrors what is behind it where it is seen at a grazing angle (Fresnel's reflectance goes to one): its own colour fades
some tenths of a millimetre before its end. A network tells for each side how probable it is that the case ends here or
there (:func:`vision.closer.beside`); of all pairs the one is taken that is most probable together with what is known
without them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from vision import adjust, closer
from vision.model import Array
from vision.pose import jacobian_at_once
from vision.segment import Picture

_OWN_MM = 0.05
"""How well the network tells a side's place where it is sure."""
_ASTRAY = 0.02
"""How often a side is told quite wrongly."""
_PEAK_MM = 0.3
"""Places so near to each other are one edge's."""
_WIDER = 1.5
"""What is known without the sides is taken to be so much less sure: a tip may stand anywhere within its bounds."""
_ELSEWHERE_MM, _WRONG = 12.0, 3.0
"""The target may not stand where the setup says: how far off the case then is, and what that costs, as minus twice a
log likelihood."""
_LEAST = 0.2
"""An edge that the network finds less probable is left out."""


@dataclass(frozen=True, eq=False)
class _Side:
    """Where a side was taken to be: how far outside the expected place, its standard uncertainty (mm), and how probable
    the network finds it."""

    off_mm: float
    doubt_mm: float
    share: float


def choose(rgb: Picture, q: Array, p: adjust.Problem, y: float, covariance: Array) -> adjust.Problem:
    """The problem with the sides, as far as they are told.

    Args:
        rgb: the picture.
        q: the unknowns, adjusted without sides.
        p: their problem.
        y: the lever plane's depth, mm.
        covariance: of the unknowns (13, 13).
    """
    e = adjust.elevation(q, y)
    at, left = closer.beside(rgb, q, p, y, e, -1)
    _, right = closer.beside(rgb, q, p, y, e, 1)
    slope = _moves(q, p, y)
    known = _WIDER**2 * slope @ covariance @ slope.T + _OWN_MM**2 * np.eye(2)
    elsewhere = known + _ELSEWHERE_MM**2 * np.outer(slope[:, 7], slope[:, 7])
    told = _never_sure(left)[:, None] * _never_sure(right)[None]
    here, there = told * _density(at, known), told * _density(at, elsewhere) * math.exp(-_WRONG / 2)
    both = here + there
    k = np.unravel_index(int(np.argmax(both)), both.shape)
    if there[k] > here[k]:
        p = replace(p, depth_sigma=_ELSEWHERE_MM)
    both /= both.sum()
    taken = [_taken(at, one, int(n), both.sum(axis)) for one, n, axis in ((left, k[0], 1), (right, k[1], 0))]
    size = closer.scale(q, p)
    px = [closer.beside_px(q, p, y, side, one.off_mm) for side, one in zip((-1, 1), taken, strict=True)]
    px = [where[: one.share > _LEAST] for where, one in zip(px, taken, strict=True)]
    return replace(p, left=px[0], right=px[1], side_sigmas=(size * taken[0].doubt_mm, size * taken[1].doubt_mm))


def _never_sure(prob: Array) -> Array:
    return np.asarray((1 - _ASTRAY) * prob + _ASTRAY / len(prob))


def _density(at: Array, covariance: Array) -> Array:
    """Density (N, N) of a left and a right side's place, normal about zero."""
    inv = np.linalg.inv(covariance)
    x, z = at[:, None], at[None]
    d2 = inv[0, 0] * x * x + 2 * inv[0, 1] * x * z + inv[1, 1] * z * z
    return np.asarray(np.exp(-d2 / 2) * math.sqrt(float(np.linalg.det(inv))))


def _taken(at: Array, prob: Array, best: int, after: Array) -> _Side:
    """The edge at row ``best`` where the network tells it, as doubtful as all that is probable ``after`` all is known
    lies apart from it."""
    near = np.where(np.abs(at - at[best]) <= _PEAK_MM, prob, 0)
    off = float(at @ near / near.sum())
    return _Side(off, math.hypot(_OWN_MM, math.sqrt(float(after @ (at - off) ** 2))), float(near.sum()))


def _moves(q: Array, p: adjust.Problem, y: float) -> Array:
    """How far (mm) both sides move outwards with each of the unknowns: (2, 13)."""
    size, rows = closer.scale(q, p), []
    for side in (-1, 1):
        out = (closer.beside_px(q, p, y, side, 1.0) - closer.beside_px(q, p, y, side, 0.0))[0]
        normal = out / np.linalg.norm(out) / size
        rows.append(jacobian_at_once(partial(_place, p, side, normal), q, adjust.STEPS))
    return np.concatenate(rows)


def _place(p: adjust.Problem, side: int, normal: Array, q: Array) -> Array:
    """Where a side is seen along ``normal`` for sets of unknowns (B, 13): (B, 1)."""
    return adjust.sides_seen(q, p, side, -closer.SIDE_MM) @ normal[:, None]
