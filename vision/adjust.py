"""One least-squares adjustment of everything the picture says about card and rim.

Unknowns (13): pose card to camera (6), the rim circle's centre in the card frame (3), its axis' pitch about x and
roll about y (rad), the width of its edge break, the radius of the rim land's inner edge.
Observations: the target's points, the rim's upper outline (a circle of known diameter less the edge break, in its own
plane), the land's inner edge on the near side (it hides what is behind it, so it lies in that plane too), the case's
two sides just below it (tangents to a cylinder of the known diameter), and how upright card and case stand to each
other. Rays, no flat shortcut. Corrections by
Levenberg and Marquardt's damped Gauss-Newton, outliers by Huber's weights; the covariance is that of the weighted
normal equations, inputs propagate by the implicit function theorem (JCGM 102:2011, 6.3).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache, partial

import numpy as np
import numpy.typing as npt

from vision.markers import Seen
from vision.model import Array, Camera, Geometry
from vision.optics import distort, project_each, rotations, undistort
from vision.pose import jacobian, jacobian_at_once, lift
from vision.rings import FAR, NEAR, half, heights, upper

SIZE = 13
POSE, CENTRE, TILT, BREAK, INNER = slice(0, 6), slice(6, 9), slice(9, 11), 11, 12
STEPS = np.array([1e-5] * 3 + [1e-3] * 3 + [1e-3] * 3 + [1e-5] * 2 + [1e-3] * 2)
INPUTS = ("rim_diameter", "print_scale", "fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
INPUT_STEPS = np.array([1e-2, 1e-5, 1e-2, 1e-2, 1e-2, 1e-2, 1e-5, 1e-5, 1e-6, 1e-6, 1e-5])
_STANDS_MM = 0.05  # how closely a card's lower edge sits on the rim
_SETTLED = 1e-4
"""A step that takes less than this share off the sum of squares is the last one: steps after it changed heights by
0.00003 mm in the median of 24 pictures, by 0.003 at most."""


@dataclass(frozen=True, eq=False)
class Problem:
    """What was observed. ``arc`` (N, 2), ``left`` and ``right`` (N, 2): edge points in px; their sigmas; ``turn``
    (2, 2) turns normalised coordinates so that the card's z points up (-y)."""

    seen: Seen
    camera: Camera
    geometry: Geometry
    turn: Array
    lean_sigma: float
    x_guess: float = 0.0
    x_sigma: float = 0.0
    depth_guess: float = 0.0
    depth_sigma: float = 0.0
    arc: Array = field(default_factory=lambda: np.zeros((0, 2)))
    left: Array = field(default_factory=lambda: np.zeros((0, 2)))
    right: Array = field(default_factory=lambda: np.zeros((0, 2)))
    inner: Array = field(default_factory=lambda: np.zeros((0, 2)))
    arc_sigma: Array | float = 1.0
    inner_sigma: Array | float = 1.0
    side_sigmas: tuple[float, float] = (1.0, 1.0)
    scale: float = 1.0
    edge_z: float | None = None

    @cached_property
    def turned(self) -> tuple[Array, Array, Array, Array]:
        """``arc``, ``inner``, ``left`` and ``right`` in turned normalised coordinates."""
        arc, inner, left, right = (
            undistort(px, self.camera) @ self.turn.T for px in (self.arc, self.inner, self.left, self.right)
        )
        return arc, inner, left, right

    def inputs(self) -> Array:
        """Present values of ``INPUTS``."""
        m, d = self.camera.matrix, np.zeros(5)
        k = np.ravel(self.camera.distortion)[:5]
        d[: len(k)] = k
        return np.array([self.geometry.rim_diameter_mm, self.scale, m[0, 0], m[1, 1], m[0, 2], m[1, 2], *d])

    def with_inputs(self, v: Array) -> Problem:
        """The same observations under other inputs."""
        m = np.array([[v[2], self.camera.matrix[0, 1], v[4]], [0, v[3], v[5]], [0, 0, 1]])
        cam = replace(self.camera, matrix=m, distortion=v[6:11].copy())
        return replace(
            self, camera=cam, scale=float(v[1]), geometry=replace(self.geometry, rim_diameter_mm=float(v[0]))
        )


@dataclass(frozen=True, eq=False)
class _Many:
    """What follows from sets of unknowns (B, 13) again and again: rotations, right, away, up of the rim planes; the
    cameras' centres, their directions in the rim planes (rad) and distances from the axes (mm)."""

    q: Array
    turn: Array
    right: Array
    away: Array
    up: Array
    eye: Array
    towards: Array
    distance: Array


def _many(q: Array) -> _Many:
    turn = rotations(q[:, :3])
    sa, ca, sb, cb = np.sin(q[:, 9]), np.cos(q[:, 9]), np.sin(q[:, 10]), np.cos(q[:, 10])
    up = np.array([sb, -sa * cb, ca * cb]).T
    right = -up[:, :1] * up
    right[:, 0] += 1
    size = np.sqrt(np.sum(right**2, 1, keepdims=True))
    right /= size
    away = np.array([np.zeros(len(q)), up[:, 2], -up[:, 1]]).T / size
    eye = -np.einsum("bji,bj->bi", turn, q[:, 3:6])
    d = eye - q[:, CENTRE]
    x, y = np.sum(d * right, 1), np.sum(d * away, 1)
    return _Many(q, turn, right, away, up, eye, np.arctan2(y, x), np.hypot(x, y))


def _one(q: Array) -> _Many:
    """The same of one set (13,)."""
    return _kept(q.tobytes())


@lru_cache(maxsize=4)
def _kept(unknowns: bytes) -> _Many:
    return _many(np.frombuffer(unknowns)[None])


def axis(q: Array) -> Array:
    """The rim plane's unit normal (3,) in the card frame."""
    return np.asarray(_one(q).up[0])


def basis(q: Array) -> tuple[Array, Array, Array]:
    """Right, away, up: an orthonormal frame of the rim plane in the card frame."""
    f = _one(q)
    return f.right[0], f.away[0], f.up[0]


def camera_centre(q: Array) -> Array:
    """Camera centre (3,) in the card frame."""
    return np.asarray(_one(q).eye[0])


def circle(q: Array, radius: float, angles: Array, height: Array | float = 0.0) -> Array:
    """Points (N, 3) of a circle round the rim's axis, ``height`` (scalar or (N,)) mm over the rim plane."""
    right, away, up = basis(q)
    flat = np.cos(angles)[:, None] * right + np.sin(angles)[:, None] * away
    return np.asarray(q[CENTRE] + radius * flat + np.asarray(height)[..., None] * up)


def branches(q: Array, p: Problem, radius: float) -> tuple[Array, Array]:
    """Near and far half of the rim circle in turned normalised coordinates, (121, 2) each, x ascending."""
    rings = _rings(_one(q), np.array([radius]), p.turn)
    return half(rings, NEAR)[0].T, half(rings, FAR)[0].T


def outline(q: Array, p: Problem, x: Array) -> Array:
    """Height (y, turned normalised) of the rim's upper outline at ``x`` (N,): the higher of its two halves."""
    radius = p.geometry.rim_diameter_mm / 2 - q[BREAK : BREAK + 1]
    return np.asarray(upper(_rings(_one(q), radius, p.turn), x)[0])


def side_line(q: Array, p: Problem, side: int, heights: Array) -> Array:
    """Silhouette of the outermost cylinder at ``heights`` over the rim plane: card-frame points (N, 3)."""
    return np.asarray(_silhouettes(_one(q), p, np.full(len(heights), side), heights)[0])


def _seen(m: _Many, points: Array, turn: Array) -> Array:
    """Card-frame points (B, N, 3) in normalised coordinates (B, N, 2), turned."""
    at = points @ m.turn.transpose(0, 2, 1) + m.q[:, None, 3:6]
    return np.asarray(at[..., :2] / at[..., 2:3] @ turn.T)


def _rings(m: _Many, radius: Array, turn: Array) -> Array:
    """Circles round the rims' axes as they are seen: (B, 3, 3) that take 1, cosine and sine of the angle from where the
    camera stands to x, y (turned) and depth."""
    c, s = np.cos(m.towards)[:, None], np.sin(m.towards)[:, None]
    spokes = [radius[:, None] * (c * m.right + s * m.away), radius[:, None] * (c * m.away - s * m.right)]
    at = np.array([m.q[:, CENTRE], *spokes]).transpose(1, 2, 0)
    seen = m.turn @ at
    seen[:, :, 0] += m.q[:, 3:6]
    seen[:, :2] = turn @ seen[:, :2]
    return np.asarray(seen)


def _silhouettes(m: _Many, p: Problem, sides: Array, heights: Array) -> Array:
    """Points (B, N, 3) of the outermost cylinders' left (-1) and right (1) ``sides`` (N,) at ``heights`` (N,) over the
    rim planes."""
    r = p.geometry.rim_diameter_mm / 2
    tangent = np.arccos(np.clip(r / np.maximum(m.distance, r * 1.01), -1, 1))
    at = m.towards[:, None] + sides * tangent[:, None]
    flat = np.cos(at)[..., None] * m.right[:, None] + np.sin(at)[..., None] * m.away[:, None]
    return np.asarray(m.q[:, None, CENTRE] + r * flat + heights[:, None] * m.up[:, None])


def sides_seen(q: Array, p: Problem, side: int, height: float) -> Array:
    """Where a side is seen at ``height`` over the rim plane, px, for sets of unknowns (B, 13): (B, 2)."""
    return project_each(_silhouettes(_many(q), p, np.array([side]), np.array([height])), q[:, POSE], p.camera)[:, 0]


def residuals(q: Array, p: Problem) -> tuple[Array, npt.NDArray[np.bool_]]:
    """All residuals divided by their sigma, and which of them may be outliers (bool)."""
    parts = residual_parts(q[None], p)
    soft = np.repeat([may for _, may in parts], [part.shape[1] for part, _ in parts])
    return np.concatenate([part[0] for part, _ in parts]), soft


def residual_rows(q: Array, p: Problem) -> Array:
    """All residuals (B, N) for sets of unknowns (B, 13): much quicker than one set after another."""
    return np.concatenate([part for part, _ in residual_parts(q, p)], axis=1)


def residual_parts(q: Array, p: Problem) -> list[tuple[Array, bool]]:
    """Residuals (B, N) of each kind of observation, and whether they may be outliers, for sets of unknowns (B, 13)."""
    m, g, f = _many(q), p.geometry, float(p.camera.matrix[0, 0])
    print_at = np.broadcast_to(lift(p.seen.card * p.scale), (len(q), len(p.seen.card), 3))
    px = project_each(print_at, q[:, POSE], p.camera)
    parts = [(((p.seen.image - px) / p.seen.sigma[:, None]).reshape(len(q), -1), False)]
    arc, inner, left, right = p.turned
    if len(arc):
        radius = g.rim_diameter_mm / 2 - q[:, BREAK]
        parts.append((_off(arc, partial(upper, _rings(m, radius, p.turn))) * f / p.arc_sigma, True))
    if len(inner):
        parts.append(
            (_off(inner, partial(heights, half(_rings(m, q[:, INNER], p.turn), NEAR))) * f / p.inner_sigma, True)
        )
    if len(left) or len(right):
        ends = _seen(m, _silhouettes(m, p, np.array([1, 1, -1, -1]), np.array([0.0, -3.0, 0.0, -3.0])), p.turn)
        for u, (top, foot), sigma in (
            (right, (ends[:, :1], ends[:, 1:2]), p.side_sigmas[1]),
            (left, (ends[:, 2:3], ends[:, 3:]), p.side_sigmas[0]),
        ):
            if len(u):
                k = (foot[..., 0] - top[..., 0]) / (foot[..., 1] - top[..., 1])
                parts.append(((u[:, 0] - top[..., 0] - k * (u[:, 1] - top[..., 1])) * f / sigma, True))
    prior = [
        q[:, 9] / p.lean_sigma,
        q[:, 10] / p.lean_sigma,
        (q[:, BREAK] - g.edge_break_mm) / g.edge_break_u_mm,
        (q[:, INNER] - 0.92 * g.rim_diameter_mm / 2) / (0.05 * g.rim_diameter_mm),
    ]
    if p.depth_sigma > 0:
        prior.append((q[:, 7] - p.depth_guess) / p.depth_sigma)
    if p.x_sigma > 0:
        prior.append((q[:, 6] - p.x_guess) / p.x_sigma)
    if p.edge_z is not None:  # the card stands on the rim: its lower edge lies in the rim plane
        foot = np.array([q[:, 6], np.zeros(len(q)), np.full(len(q), p.edge_z * p.scale)]).T
        prior.append(np.sum((foot - q[:, CENTRE]) * m.up, 1) / _STANDS_MM)
    return [*parts, (np.array(prior).T, False)]


def _off(u: Array, lines: Callable[[Array], Array]) -> Array:
    """Distances (B, N) of points (N, 2) below lines y(x), square to these."""
    h = 1e-4
    here, beside = np.split(lines(np.concatenate([u[:, 0], u[:, 0] + h])), 2, axis=1)
    return np.asarray((u[:, 1] - here) / np.hypot(1, (beside - here) / h))


def _slopes(q: Array, p: Problem, index: npt.NDArray[np.int64]) -> Array:
    """Central differences (N, n) of the residuals by the unknowns at ``index`` (n,)."""

    def rows(some: Array) -> Array:
        many = np.repeat(q[None], len(some), 0)
        many[:, index] = some
        return residual_rows(many, p)

    return jacobian_at_once(rows, q[index], STEPS[index])


def elevation(q: Array, y: float) -> float:
    """Degrees that the camera stands over the rim plane, seen from where the plane ``y`` meets the axis."""
    f = _one(q)
    return float(np.degrees(np.arctan2((f.eye[0] - q[CENTRE]) @ f.up[0], f.distance[0] + y - q[7])))


def _weights(r: Array, soft: npt.NDArray[np.bool_], huber: float) -> Array:
    return np.where(soft, np.sqrt(np.minimum(1.0, huber / np.maximum(np.abs(r), 1e-12))), 1.0)


def cost(q: Array, p: Problem, huber: float = 1.5) -> float:
    """Sum of squared residuals, those that may be outliers counted after Huber."""
    r, soft = residuals(q, p)
    far = soft & (np.abs(r) > huber)
    return float(np.sum(np.where(far, 2 * huber * np.abs(r) - huber**2, r**2)))


def solve(q: Array, p: Problem, free: npt.NDArray[np.bool_], huber: float = 1.5, rounds: int = 25) -> Array:
    """Adjust the unknowns marked ``free`` (13,) from start values ``q``."""
    index = np.flatnonzero(free)
    r, soft = residuals(q, p)
    w = _weights(r, soft, huber)
    lam = 1e-3
    for _ in range(rounds):
        j = _slopes(q, p, index) * w[:, None]
        a, g = j.T @ j, j.T @ (w * r)
        moved = False
        for _ in range(6):
            step = np.linalg.solve(a + lam * np.diag(np.diag(a) + 1e-12), -g)
            trial = q.copy()
            trial[index] += step
            new = residuals(trial, p)[0]
            if np.isfinite(new).all() and np.sum((w * new) ** 2) <= np.sum((w * r) ** 2):
                gain = np.sum((w * r) ** 2) - np.sum((w * new) ** 2)
                q, r, lam, moved = trial, new, lam / 4, True
                break
            lam *= 6
        if not moved:
            break
        w = _weights(r, soft, huber)
        if gain < _SETTLED * (1 + np.sum((w * r) ** 2)):
            break
    return q


def covariance(q: Array, p: Problem) -> Array:
    """Covariance (13, 13) of the unknowns."""
    return _normal(q, p)[0]


def covariance_and_gain(q: Array, p: Problem) -> tuple[Array, Array]:
    """Covariance (13, 13) of the unknowns, and the gain (13, inputs): d unknowns / d ``INPUTS``."""
    inv, j, w = _normal(q, p)
    v0 = p.inputs()
    dk = jacobian(lambda v: residuals(q, p.with_inputs(v))[0], v0, INPUT_STEPS) * w[:, None]
    return inv, np.asarray(-inv @ j.T @ dk)


def _normal(q: Array, p: Problem) -> tuple[Array, Array, Array]:
    r, soft = residuals(q, p)
    w = _weights(r, soft, 1.5)
    j = _slopes(q, p, np.arange(SIZE)) * w[:, None]
    return np.asarray(np.linalg.pinv(j.T @ j), np.float64), j, w


def to_pixels(turned: Array, p: Problem) -> Array:
    """Turned normalised coordinates (N, 2) to picture pixels (N, 2)."""
    return distort(turned @ p.turn, p.camera)
