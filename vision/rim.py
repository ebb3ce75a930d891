"""Finds the case's rim: begins with :mod:`vision.outline`, goes on with what the picture itself shows."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from vision import adjust, closer, sides
from vision.model import Array, Camera, Geometry
from vision.optics import project, rays, to_normalised, undistort
from vision.outline import Rough
from vision.pose import Pose, jacobian
from vision.segment import Picture, View

_LEAST_MM, _ARC = 0.04, 6.0
"""A place of an outline is stated so well at best, and so many times worse than the network tells: neighbouring places
err together. Set on rendered pictures that are not those of the benchmark."""
_ERRS = 0.65
"""So many times what the adjustment states a height errs by for rim and target: few outlines err that much all along.
Set on 375 such pictures."""
_FLAT_DEG = 4.0
"""Seen more steeply, a rim is not taken for one seen from below."""
_LEVEL_DEG = 0.1
"""Seen more level, which half of a rim is its outline changes with the smallest tilt."""
_CONTRADICTS = 12.0
"""Sum of weighted squares that the inner edge's places may add before they count as another edge's."""
NEAR_EDGE_DEG = 1.5
"""Seen less from above, the land's near inner edge lies too close to the outer one."""
_ABOUT_MM, _SHARE = 0.15, 90
"""Where such a share (percent) of an outline's places lies no further from where it was expected, and both sides are
found, it need not be looked at once more; a rim seen nearly level is. Chosen on rendered pictures."""
_TOLD_MM = 0.2
"""Where the edge's course is told with a larger spread than this, it counts as not seen."""


@dataclass(frozen=True, eq=False)
class Rim:
    """The adjusted unknowns ``q`` (13,), the problem they solve, covariance and gain of inputs; how much of the
    outline carries an edge (0..1); rms of the edges about it, px; how many edge points each side gave; the median
    spread that the network told of its places, mm; how far behind the lever's plane the case stands by the width that
    the classes show; ``errs``: how many times what the covariance says a height errs by."""

    q: Array
    problem: adjust.Problem
    covariance: Array
    gain: Array
    covered: float
    rms: float
    sides: tuple[int, int]
    spread_mm: float = 0.0
    classes_mm: float = 0.0
    errs: float = 1.0

    @property
    def scale(self) -> float:
        """Picture pixels a millimetre at the case's axis."""
        return closer.scale(self.q, self.problem)


def _farther(pose: Pose, view: View, seen: Rough, geometry: Geometry) -> float:
    """How many times further away than the lever's plane the case stands by the width that the classes show."""
    q = np.zeros(adjust.SIZE)
    q[:6] = pose.vector
    radius = geometry.rim_diameter_mm / 2
    half = radius / np.sqrt(1 - min(radius / _distance(q, view, seen), 0.9) ** 2)  # the sides are tangents
    return float(half / seen.half)


def _distance(q: Array, view: View, seen: Rough) -> float:
    """Of the camera from where the case is seen in the lever's plane, along the bench, mm."""
    camera = adjust.camera_centre(q)
    return float(np.hypot(camera[0] - seen.middle_x, camera[1] - view.y))


def _start(pose: Pose, view: View, seen: Rough, geometry: Geometry) -> Array:
    q = np.zeros(adjust.SIZE)
    q[:6] = pose.vector
    camera, dist = adjust.camera_centre(q), _distance(q, view, seen)
    reach = geometry.tip_from_axis_mm / dist
    ratio = 1 + float(np.clip(_farther(pose, view, seen, geometry) - 1, -reach, reach))
    q[6:9] = [seen.middle_x + (ratio - 1) * (seen.middle_x - camera[0]), view.y + (ratio - 1) * dist, seen.rim_z]
    q[8] = camera[2] + ratio * (seen.rim_z - camera[2])
    q[adjust.BREAK] = geometry.edge_break_mm
    q[adjust.INNER] = 0.46 * geometry.rim_diameter_mm
    return q


def upright(pose: Array, at: Array) -> Array:
    """How to turn (2, 2) normalised coordinates so that the card's z points up (-y) at a place, under a pose (6,)."""
    up = to_normalised(np.stack([at, at + np.array([0, 0, 10.0])]), pose)
    d = up[0] - up[1]  # downwards in the picture
    d = d / np.linalg.norm(d)
    return np.array([[d[1], -d[0]], [d[0], d[1]]])


def fit(
    rgb: Picture, pose: Pose, view: View, seen: Rough, geometry: Geometry, camera: Camera, edge_z: float | None = None
) -> Rim | None:
    """Fit the rim circle.

    Args:
        rgb: the picture (H, W, 3).
        pose: card to camera.
        view: the classified view.
        seen: the outline from its classes.
        geometry: what is known of the case.
        camera: the camera.
        edge_z: z of the card's lower edge when the card stands on the rim.

    Returns:
        None when the outline cannot be followed.
    """
    q = _start(pose, view, seen, geometry)
    own = np.sqrt(np.maximum(np.diag(pose.covariance)[:3], 0)).max()
    lean = float(np.hypot(np.radians(geometry.card_lean_u_deg), own))
    p = adjust.Problem(
        pose.seen,
        camera,
        geometry,
        upright(pose.vector, q[6:9]),
        lean,
        x_guess=float(q[6]),
        x_sigma=2.5,
        depth_guess=view.y,
        depth_sigma=geometry.tip_from_axis_mm / 2,
        edge_z=edge_z,
    )
    coarse = project(view.points(seen.columns, seen.rows), pose.vector, p.camera)
    free = np.zeros(adjust.SIZE, bool)
    free[[6, 7, 8, 9, 10, 12]] = True
    scale = closer.scale(q, p)
    near = project(view.points(seen.inner_columns, seen.inner_rows), pose.vector, p.camera)
    p = replace(p, arc=coarse, arc_sigma=0.25 * scale, inner=near, inner_sigma=0.35 * scale)
    q = adjust.solve(q, p, free, huber=1.0)
    free = np.ones(adjust.SIZE, bool)
    level = adjust.elevation(q, view.y)
    q, p, course = _adjusted(rgb, q, p, view.y, free)
    astray = np.percentile(np.abs(course.off_mm), _SHARE) > _ABOUT_MM or not (len(p.left) and len(p.right))
    if astray or min(level, adjust.elevation(q, view.y)) < NEAR_EDGE_DEG:
        free[adjust.POSE] = False
        q, p, course = _adjusted(rgb, q, p, view.y, free)
    q, p = _without_a_false_edge(q, p, free)
    r = arc_residuals(q, p)
    told = course.spread_mm < _TOLD_MM
    rms = float(np.sqrt(np.mean(np.minimum(r[told], 3.0) ** 2))) if told.any() else 9.0
    covered = float(told.mean()) * float(np.mean(np.abs(r) < 1.5))
    told_mm = (_farther(pose, view, seen, geometry) - 1) * _distance(q, view, seen)
    count = (len(p.left), len(p.right))
    covariance, gain = adjust.covariance_and_gain(_beside_level(q, view.y), p)
    q, covariance = _not_past_level(q, covariance, view.y)
    return Rim(q, p, covariance, gain, covered, rms, count, float(np.median(course.spread_mm)), told_mm, _ERRS)


def _adjusted(
    rgb: Picture, q: Array, p: adjust.Problem, y: float, free: npt.NDArray[np.bool_]
) -> tuple[Array, adjust.Problem, closer.Course]:
    """The ``free`` unknowns adjusted to edges and sides as they show from ``q``, the problem, the outline's course."""
    p, course = _looked_at(rgb, q, p, y)
    q = _either_way(q, p, free, y)
    p = sides.choose(rgb, q, p, y, adjust.covariance(q, p))
    return adjust.solve(q, p, free), p, course


def _looked_at(rgb: Picture, q: Array, p: adjust.Problem, y: float) -> tuple[adjust.Problem, closer.Course]:
    """The problem with the rim's edges as the strips along ``q`` show them, without sides; the outline's course."""
    e, size, none = adjust.elevation(q, y), closer.scale(q, p), np.zeros((0, 2))
    far = closer.follow(rgb, q, p, y, e, False)
    near = closer.follow(rgb, q, p, y, e, True) if e > NEAR_EDGE_DEG else None
    inner, inner_sigma = (none, 1.0) if near is None else (near.image, _sigma(near, size))
    p = replace(p, arc=far.image, arc_sigma=_sigma(far, size), inner=inner, left=none, right=none)
    return replace(p, inner_sigma=inner_sigma), far


def _either_way(q: Array, p: adjust.Problem, free: npt.NDArray[np.bool_], y: float) -> Array:
    """Adjusted unknowns. Seen nearly flat, a rim looked at from above may be taken for one looked at from below: both
    are tried."""
    best = adjust.solve(q, p, free)
    e = adjust.elevation(best, y)
    if abs(e) < _FLAT_DEG:
        other = best.copy()
        other[9] -= 2 * np.radians(e)
        other = adjust.solve(other, p, free)
        if adjust.cost(other, p) < adjust.cost(best, p):
            return other
    return best


def _beside_level(q: Array, y: float) -> Array:
    """Unknowns by which the rim is not seen so level that its outline changes halves within a small step."""
    e = adjust.elevation(q, y)
    out = q.copy()
    if abs(e) < _LEVEL_DEG:
        out[adjust.TILT][0] += np.radians(np.copysign(_LEVEL_DEG, e) - e)
    return out


def _not_past_level(q: Array, covariance: Array, y: float) -> tuple[Array, Array]:
    """Unknowns and their covariance, of a rim that is seen nearly level.

    An outline tells how far the camera stands over the rim, or under it, and never less than nothing: past that, the
    rim's other half is its outline, and rises again. So what is told of it is a normal distribution cut off at nothing.
    The mean and variance of that (Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions, 13.10; from
    memory) carry over to all unknowns by what ties them to it.
    """
    e = np.radians(adjust.elevation(q, y))
    slope = np.radians(jacobian(lambda v: np.array([adjust.elevation(v, y)]), q, adjust.STEPS)[0])
    tied = covariance @ slope
    var = float(slope @ tied)
    a = abs(e) / math.sqrt(var)
    more = math.exp(-a * a / 2) / math.sqrt(2 * math.pi) / (0.5 + 0.5 * math.erf(a / math.sqrt(2)))
    up = math.copysign(more * math.sqrt(var), e)
    return q + up * tied / var, covariance - more * (a + more) * np.outer(tied, tied) / var


def _without_a_false_edge(q: Array, p: adjust.Problem, free: npt.NDArray[np.bool_]) -> tuple[Array, adjust.Problem]:
    """Where the land's inner edge contradicts all else (a highlight taken for it): adjusted without it."""
    if len(p.inner):
        bare = replace(p, inner=np.zeros((0, 2)))
        other = adjust.solve(q, bare, free)
        if adjust.cost(other, bare) + _CONTRADICTS < adjust.cost(q, p):
            return other, bare
    return q, p


def _sigma(course: closer.Course, scale: float) -> Array:
    return np.asarray(scale * np.hypot(_LEAST_MM, _ARC * course.spread_mm))


def fit_given(points: Array, pose: Pose, y: float, geometry: Geometry, camera: Camera) -> Rim:
    """Fit the rim circle to points (N, 2) px, three or more, that a person set on its upper outline.

    The card's uprightness and the lever's plane tell what few points cannot.
    """
    centre, d = rays(undistort(points, camera), pose.vector)
    at = centre + ((y - centre[1]) / d[:, 1])[:, None] * d
    x = float(at[:, 0].min() + at[:, 0].max()) / 2
    q = _first_guess(pose, geometry, [x, y, float(np.median(at[:, 2]))])
    p = replace(_depth_problem(pose, geometry, camera, q), arc=points, arc_sigma=1.5)
    q = adjust.solve(q, p, np.ones(adjust.SIZE, bool))
    cov, gain = adjust.covariance_and_gain(q, p)
    rms = float(np.sqrt(np.mean(arc_residuals(q, p) ** 2)))
    return Rim(q, p, cov, gain, 1.0, min(rms, 0.9), (0, 0))


def _first_guess(pose: Pose, geometry: Geometry, centre: list[float]) -> Array:
    """The unknowns before the first fit: the pose as found, the rim's centre (x, depth, height) as guessed."""
    q = np.zeros(adjust.SIZE)
    q[:6], q[6:9] = pose.vector, centre
    q[adjust.BREAK], q[adjust.INNER] = geometry.edge_break_mm, 0.46 * geometry.rim_diameter_mm
    return q


def _depth_problem(pose: Pose, geometry: Geometry, camera: Camera, q: Array) -> adjust.Problem:
    """A fit that takes the guessed centre and depth for about right."""
    return adjust.Problem(
        pose.seen,
        camera,
        geometry,
        upright(pose.vector, q[6:9]),
        float(np.radians(geometry.card_lean_u_deg)),
        x_guess=float(q[6]),
        x_sigma=0.1 * geometry.rim_diameter_mm,
        depth_guess=float(q[7]),
        depth_sigma=geometry.tip_from_axis_mm / 2,
    )


def fit_standing(pose: Pose, y: float, geometry: Geometry, camera: Camera, edge_z: float) -> Rim:
    """The rim plane of a card that stands on the rim, from the card's lower edge alone."""
    q = _first_guess(pose, geometry, [float(pose.seen.card[:, 0].mean()), y, edge_z])
    p = replace(_depth_problem(pose, geometry, camera, q), edge_z=edge_z)
    q = adjust.solve(q, p, np.ones(adjust.SIZE, bool))
    return Rim(q, p, *adjust.covariance_and_gain(q, p), 1.0, 0.0, (0, 0))


def arc_residuals(q: Array, p: adjust.Problem) -> Array:
    """Distances (N,) of the outline's edge points from the adjusted outline, px."""
    r, _ = adjust.residuals(q, p)
    n = 2 * len(p.seen.card)
    return np.asarray(r[n : n + len(p.arc)] * p.arc_sigma)
