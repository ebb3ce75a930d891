"""The case's two sides just below the rim: how far apart they are seen tells how far away the case stands.

Beside the case's own edge run others: the card's, a mirrored one, a groove's. And a round body that is not quite matt
mirrors what is behind it where it is seen at a grazing angle (Fresnel's reflectance goes to one): its own colour fades
some tenths of a millimetre before its end, and the end itself is the fainter edge outside. Each side's edges are
candidates; the pair is taken that agrees best with what is known without them, with the classes, with how clearly each
stands out and with being the outermost.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from vision import adjust, closer
from vision.edges import colour_profiles, fit_colour, slopes, summits
from vision.model import Array
from vision.optics import project
from vision.outline import ends
from vision.pose import jacobian
from vision.segment import MM, Picture, View

_BELOW_MM = np.linspace(0.25, 1.4, 12)
"""Where, below the rim's edge break, a side is looked at."""
_REACH_MM, _OWN_MM, _FADED_MM = 3.5, 0.08, 0.05
"""How far from the expected place; how well a side's edge is located; how far inside its end a body is seen to fade."""
_CLASSES_MM = (0.3, 0.7)
"""How far a side lies inside or outside what the classes take for it: they too see where its colour fades."""
_ASTRAY, _MISSING, _INNER = 0.15, 9.0, 3.0
"""Share of sides that the classes tell quite wrongly; what it costs to leave a side out, or to take an edge that has
another one outside, in units of a squared sigma."""
_WIDER = 1.5
"""What is known without the sides is taken to be so much less sure: a tip may stand anywhere within its bounds."""
_ABOVE, _GOES_ON = 1.8, 1.5
"""An edge that goes on over the rim is not the case's: where to look (in lengths of the part of the side that is looked
at), and what it costs."""
_FAINT = 6.0
"""Grey values a pixel: an edge that is less steep is less likely a side."""
_FAR = 5.0
"""Pairs that so much more speaks against are left aside."""
_ELSEWHERE_MM, _WRONG = 12.0, 3.0
"""The target may not stand where the setup says: how far off the case then is, and what that costs."""


@dataclass(frozen=True, eq=False)
class Side:
    """One edge: its points (N, 2) px; how far it lies outside the expected place, mm; what speaks against it; whether
    it goes on over the rim."""

    points: Array
    off_mm: float
    cost: float
    goes_on: bool


def choose(rgb: Picture, view: View, q: Array, p: adjust.Problem, covariance: Array) -> adjust.Problem:
    """The problem with the best pair of sides (or one, or none).

    Args:
        rgb: the picture.
        view: the classified view.
        q: the unknowns, adjusted without sides.
        p: their problem.
        covariance: of the unknowns (13, 13).
    """
    found = {side: [*candidates(rgb, view, q, p, side), None] for side in (-1, 1)}
    slope = _moves(q, p)
    known = _WIDER**2 * slope @ covariance @ slope.T + _OWN_MM**2 * np.eye(2)
    elsewhere = known + _ELSEWHERE_MM**2 * np.outer(slope[:, 7], slope[:, 7])
    pairs = list(product(found[-1], found[1]))
    there = np.array([_cost(pair, known) for pair in pairs])
    costs = np.minimum(there, [_cost(pair, elsewhere) + _WRONG for pair in pairs])
    best = int(np.argmin(costs))
    left, right = pairs[best]
    if costs[best] < there[best]:
        p = replace(p, depth_sigma=_ELSEWHERE_MM)
    likely = np.where(costs < costs.min() + _FAR, np.exp(costs.min() - costs), 0.0)
    size = closer.scale(q, p)
    doubts = [_doubt(one, [pair[k] for pair in pairs], likely) for k, one in enumerate((left, right))]
    points = [np.zeros((0, 2)) if one is None else one.points for one in (left, right)]
    sigmas = [size * doubt * math.sqrt(max(len(at), 4)) for doubt, at in zip(doubts, points, strict=True)]
    return replace(p, left=points[0], right=points[1], side_sigmas=(sigmas[0], sigmas[1]))


def _cost(pair: tuple[Side | None, ...], covariance: Array) -> float:
    """What speaks against a pair, as minus twice a log likelihood, when its places are known so well."""
    cost = sum(_MISSING if one is None else one.cost for one in pair)
    here = [k for k, one in enumerate(pair) if one is not None]
    if not here:
        return cost
    off, part = np.array([one.off_mm for one in pair if one is not None]), covariance[np.ix_(here, here)]
    return cost + float(off @ np.linalg.solve(part, off)) + math.log(float(np.linalg.det(part)))


def _doubt(taken: Side | None, others: list[Side | None], likely: Array) -> float:
    """Standard uncertainty (mm) of the side that was taken: its own and that another edge is the right one."""
    if taken is None:
        return 1.0
    off = np.array([0.0 if one is None else one.off_mm - taken.off_mm for one in others])
    return math.hypot(_OWN_MM, math.sqrt(float(np.sum(likely * off**2) / np.sum(likely))))


def _seen(q: Array, p: adjust.Problem, side: int) -> Array:
    """Where a side is expected: points (N, 2) px downwards."""
    return project(adjust.side_line(q, p, side, -(_BELOW_MM + q[adjust.BREAK])), q[:6], p.camera)


def _line(q: Array, p: adjust.Problem, side: int) -> tuple[Array, Array]:
    """Where a side is expected, and the unit vector across it, outwards."""
    px = _seen(q, p, side)
    along = (px[-1] - px[0]) / np.linalg.norm(px[-1] - px[0])
    normal = np.array([along[1], -along[0]])
    centre = project(q[adjust.CENTRE][None], q[:6], p.camera)[0]
    return px, normal * np.sign(normal @ (px[0] - centre))


def _moves(q: Array, p: adjust.Problem) -> Array:
    """How far (mm) both sides move outwards with each of the unknowns: (2, 13)."""
    across = {side: _line(q, p, side)[1] for side in (-1, 1)}

    def places(v: Array) -> Array:
        return np.array([float(_seen(v, p, side).mean(0) @ normal) for side, normal in across.items()])

    return jacobian(places, q, adjust.STEPS) / closer.scale(q, p)


def candidates(rgb: Picture, view: View, q: Array, p: adjust.Problem, side: int) -> list[Side]:
    """Edges near a side's expected place, at most six."""
    px, normal = _line(q, p, side)
    scale = closer.scale(q, p)
    t, v, mean, strength = _across(rgb, px, normal, scale)
    above = _across(rgb, px - (px[-1] - px[0]) * _ABOVE, normal, scale)[3]
    strong = np.where(summits(strength[None])[0] & (np.abs(t) <= _REACH_MM * scale), strength, 0)
    at = _told(view, q, p, side, px)
    out = []
    for k in np.argsort(strong)[::-1][:6]:
        if strong[k] < _FAINT / 8:
            break
        points = _follow(t, v, mean, int(k), px, normal, 0.15 * scale)
        if len(points) < 5:
            continue
        points = points + _FADED_MM * scale * normal
        off = float(np.median((points - px[0]) @ normal)) / scale
        cost = -1.5 * math.log(min(1.0, float(strong[k]) / _FAINT)) + (0 if at is None else _against(off - at))
        goes_on = bool(above[np.abs(t - t[k]) <= 0.15 * scale].max() > max(strong[k] / 2, _FAINT / 2))
        out.append(Side(points, off, cost + _GOES_ON * goes_on, goes_on))
    return [replace(one, cost=one.cost + _INNER * _has_one_outside(one, out)) for one in out]


def _across(rgb: Picture, px: Array, normal: Array, scale: float) -> tuple[Array, Array, Array, Array]:
    """Places across a side (M,) px; colours there (N, M, 3); their mean's slope (1, M, 3) and how steep it is (M,)."""
    t, v = colour_profiles(rgb, px, np.repeat(normal[None], len(px), 0), _REACH_MM * scale + 4)
    mean = slopes(t, v.mean(0)[None], 0.8)
    return t, v, mean, np.linalg.norm(mean[0], axis=1)


def _told(view: View, q: Array, p: adjust.Problem, side: int, px: Array) -> float | None:
    """How far outside (mm) of the expected place ``px`` the classes see the case end."""
    seen = closer.in_plane(px, q, p, view.y)
    at = ends(view, (view.z0 - seen[:, 1]) / MM, (q[6] - view.x0) / MM)
    return None if at is None else side * (float(view.x(np.array([at[side > 0]]))[0]) - float(seen[:, 0].mean()))


def _has_one_outside(one: Side, others: list[Side]) -> bool:
    """Whether a credible edge that ends at the rim runs not far outside."""
    near = (other for other in others if 0.12 < other.off_mm - one.off_mm < 1.05)
    return any(other.cost < _MISSING - 3 and not other.goes_on for other in near)


def _against(off_mm: float) -> float:
    """What the classes say against an edge that lies so far from theirs."""
    likely = (1 - _ASTRAY) * math.exp(-0.5 * (off_mm / _CLASSES_MM[off_mm > 0]) ** 2) + _ASTRAY * _CLASSES_MM[0]
    return -2 * math.log(likely)


def _follow(t: Array, v: Array, mean: Array, at: int, px: Array, normal: Array, reach: float) -> Array:
    """Points (N, 2) px along the edge at sample ``at``."""
    wide = np.stack([v[max(0, k - 3) : k + 4].mean(0) for k in range(len(v))])
    same = np.repeat(mean, len(v), 0)
    e = fit_colour(t, wide, same, np.full(len(v), at), 2.6)
    ok = e.ok & (np.abs(e.offset - t[at]) <= max(reach, 1.5))
    return np.asarray(px[ok] + e.offset[ok, None] * normal)
