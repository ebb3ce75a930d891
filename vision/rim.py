"""Finds the case's rim: first from the classes of :mod:`vision.segment`, then by edges in the picture itself."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from vision import adjust, closer
from vision.edges import colour_profiles, fit_colour, slopes, summits
from vision.model import Array, Camera, Geometry
from vision.optics import project, rays, to_normalised, undistort
from vision.pose import Pose
from vision.segment import INSIDE, LEVER, MM, OTHER, View

Picture = npt.NDArray[np.uint8]
_MIN_COLUMNS = 120
_SIDE_PX = 0.5
"""How well a straight side of the case is located, px."""
_ARC = 3.5
"""Neighbouring places of an outline err together: about every twelfth of them counts."""
_NEAR_EDGE_DEG = 1.5
"""Seen less from above, the land's near inner edge lies too close to the outer one."""
_TOLD_MM = 0.2
"""Where the edge's course is told with a larger spread than this, it counts as not seen."""


@dataclass(frozen=True, eq=False)
class Rim:
    """The adjusted unknowns ``q`` (13,), the problem they solve, covariance and gain of inputs; how much of the
    outline carries an edge (0..1); rms of the edges about it, px; how many edge points each side gave; the median
    spread that the network told of its places, mm."""

    q: Array
    problem: adjust.Problem
    covariance: Array
    gain: Array
    covered: float
    rms: float
    sides: tuple[int, int]
    spread_mm: float = 0.0

    @property
    def scale(self) -> float:
        """Picture pixels a millimetre at the case's axis."""
        away = adjust.camera_centre(self.q) - self.q[adjust.CENTRE]
        return float(self.problem.camera.matrix[0, 0]) / float(np.linalg.norm(away))


@dataclass(frozen=True, eq=False)
class Rough:
    """From the classes: view columns and rows of the case's upper outline and of the land's near inner edge; the case's
    middle and half width in mm."""

    columns: Array
    rows: Array
    inner_columns: Array
    inner_rows: Array
    middle_x: float
    half: float
    rim_z: float


def rough(view: View) -> Rough | None:
    """The case's upper outline in the view, or None when no case is seen."""
    import cv2

    label = view.prob.argmax(0)
    body = (label != OTHER).astype(np.uint8)
    count, parts, stats, _ = cv2.connectedComponentsWithStats(body, connectivity=4)
    if count < 2:
        return None
    best = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    mask = parts == best
    if mask.sum() < 3000:
        return None
    case = mask & (label != LEVER)
    top = np.where(case.any(0), case.argmax(0), -1)
    any_top = np.where(mask.any(0), mask.argmax(0), -1)
    # outermost columns of the upper 8 mm; an outline that leaves the view cannot be told
    row0 = int(any_top[any_top >= 0].min())
    band = mask[row0 : row0 + int(8 / MM)]
    widths = [np.flatnonzero(row) for row in band if row.any()]
    spans = np.array([[w[0], w[-1]] for w in widths if len(w)])
    if len(spans) < 5:
        return None
    left, right = float(np.percentile(spans[:, 0], 8)), float(np.percentile(spans[:, 1], 92))
    if right - left < _MIN_COLUMNS:
        return None
    columns = np.arange(view.prob.shape[2])
    inner = (columns > left + 0.03 * (right - left)) & (columns < right - 0.03 * (right - left))
    lever_cols = np.zeros(len(columns), bool)
    lever_here = (mask & (label == LEVER)).any(0) & (any_top < top)
    lever_cols[lever_here] = True
    wide = np.convolve(lever_cols, np.ones(9), "same") > 0
    ok = inner & (top > 1) & ~wide & (any_top == top)
    if ok.sum() < _MIN_COLUMNS // 2:
        return None
    cols, rows = columns[ok].astype(float), top[ok] - 0.5
    ends = np.abs(cols - (left + right) / 2) > 0.38 * (right - left)
    rim_row = float(np.median(rows[ends])) if ends.sum() > 8 else float(np.percentile(rows, 80))
    rows_below = np.arange(rim_row + 0.5 / MM, rim_row + 1.8 / MM)
    ends_at = _ends(view, rows_below, (left + right) / 2)
    if ends_at is not None:
        left, right = ends_at
    x = view.x(np.array([left, right]))
    near = _near_edge(label, mask, left, right)
    return Rough(cols, rows, *near, float(x.mean()), float((x[1] - x[0]) / 2), float(view.z(np.array([rim_row]))[0]))


def _ends(view: View, rows: Array, middle: float) -> tuple[float, float] | None:
    """Columns, left and right, where the case ends in ``rows``, going out from ``middle``; None outside the view."""
    case = 1 - view.prob[OTHER]
    r = np.round(rows).astype(int)
    r = r[(r >= 0) & (r < case.shape[0])]
    m = round(float(np.clip(middle, 1, case.shape[1] - 2)))
    if len(r) < 4:
        return None
    left = [_crossing(case[k, m::-1]) for k in r]
    right = [_crossing(case[k, m:]) for k in r]
    return m - float(np.median(left)), m + float(np.median(right))


def _crossing(line: npt.NDArray[np.float32]) -> float:
    """Where values, one half and more at the beginning, first fall through one half."""
    low = np.flatnonzero(line < 0.5)
    if len(low) == 0 or low[0] == 0:
        return float(len(line) - 1 if len(low) == 0 else 0)
    k = int(low[0])
    return k - 1 + float((line[k - 1] - 0.5) / (line[k - 1] - line[k]))


def _near_edge(
    label: npt.NDArray[np.int64], mask: npt.NDArray[np.bool_], left: float, right: float
) -> tuple[Array, Array]:
    """Columns and rows where the case's inside ends at the near side of the rim."""
    inside = mask & ((label == INSIDE) | (label == LEVER))
    inside &= (label != LEVER) | (np.cumsum(label == INSIDE, axis=0) > 0)
    last = inside.shape[0] - 1 - inside[::-1].argmax(0)
    columns = np.arange(inside.shape[1])
    ok = inside.any(0) & (columns > left + 0.12 * (right - left)) & (columns < right - 0.12 * (right - left))
    ok &= (label == INSIDE).sum(0) >= 2
    if ok.sum() < 0.4 * (right - left):
        return np.zeros(0), np.zeros(0)
    return columns[ok].astype(float), last[ok] + 0.5


def _start(pose: Pose, view: View, seen: Rough, geometry: Geometry) -> Array:
    q = np.zeros(adjust.SIZE)
    q[:6] = pose.vector
    camera = adjust.camera_centre(q)
    dist = float(np.hypot(camera[0] - seen.middle_x, camera[1] - view.y))
    radius = geometry.rim_diameter_mm / 2
    ratio = radius / np.sqrt(1 - min(radius / dist, 0.9) ** 2) / seen.half  # the sides are tangents, not a diameter
    reach = geometry.tip_from_axis_mm / dist
    ratio = 1 + float(np.clip(ratio - 1, -reach, reach))
    q[6:9] = [seen.middle_x + (ratio - 1) * (seen.middle_x - camera[0]), view.y + (ratio - 1) * dist, seen.rim_z]
    q[8] = camera[2] + ratio * (seen.rim_z - camera[2])
    q[adjust.BREAK] = geometry.edge_break_mm
    q[adjust.INNER] = 0.92 * radius
    return q


def _turn(pose: Pose, at: Array) -> Array:
    up = to_normalised(np.stack([at, at + np.array([0, 0, 10.0])]), pose.vector)
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
        _turn(pose, q[6:9]),
        lean,
        x_guess=float(q[6]),
        x_sigma=1.0,
        depth_guess=view.y,
        depth_sigma=geometry.tip_from_axis_mm / 2,
        edge_z=edge_z,
    )
    coarse = project(view.points(seen.columns, seen.rows), pose.vector, p.camera)
    free = np.zeros(adjust.SIZE, bool)
    free[[6, 7, 8, 9, 10, 12]] = True
    scale = float(p.camera.matrix[0, 0]) / float(np.linalg.norm(adjust.camera_centre(q) - q[6:9]))  # px per mm
    near = project(view.points(seen.inner_columns, seen.inner_rows), pose.vector, p.camera)
    p = replace(p, arc=coarse, arc_sigma=0.25 * scale, inner=near, inner_sigma=0.35 * scale)
    q = adjust.solve(q, p, free, huber=1.0)
    spread = np.zeros(0)
    for wide in (0.6, 0.5):
        e = adjust.elevation(q, view.y)
        far = closer.follow(rgb, q, p, view.y, e, False)
        seen_near = e > _NEAR_EDGE_DEG
        near_edge = closer.follow(rgb, q, p, view.y, e, True) if seen_near else None
        left, right = (side_edges(rgb, view, q, p, side, wide * scale) for side in (-1, 1))
        none = np.zeros((0, 2))
        p = replace(
            p,
            arc=far.image,
            arc_sigma=_sigma(far, scale),
            inner=none if near_edge is None else near_edge.image,
            inner_sigma=1.0 if near_edge is None else _sigma(near_edge, scale),
            left=left,
            right=right,
            side_sigma=_SIDE_PX * np.sqrt(max(len(left), len(right), 4)),
        )
        mask = np.ones(adjust.SIZE, bool) if wide < 0.6 else np.r_[np.zeros(6, bool), np.ones(adjust.SIZE - 6, bool)]
        q, p = _best_sides(q, p, mask)
        spread = far.spread_mm
    r = arc_residuals(q, p)
    told = spread < _TOLD_MM
    rms = float(np.sqrt(np.mean(np.minimum(r[told], 3.0) ** 2))) if told.any() else 9.0
    covered = float(told.mean()) * float(np.mean(np.abs(r) < 1.5))
    return Rim(q, p, *adjust.covariance(q, p), covered, rms, (len(p.left), len(p.right)), float(np.median(spread)))


def _sigma(course: closer.Course, scale: float) -> Array:
    return np.asarray(_ARC * scale * np.hypot(0.06, 2 * course.spread_mm))


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
    cov, gain = adjust.covariance(q, p)
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
        _turn(pose, q[6:9]),
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
    return Rim(q, p, *adjust.covariance(q, p), 1.0, 0.0, (0, 0))


def _best_sides(q: Array, p: adjust.Problem, free: npt.NDArray[np.bool_]) -> tuple[Array, adjust.Problem]:
    """Adjust with everything; where one side or the inner edge contradicts the outline (a card's edge taken for the
    case's, a highlight for the inner edge), without it."""
    none = np.zeros((0, 2))
    best = adjust.solve(q, p, free)
    rms = _outline_rms(best, p)
    others = [replace(p, left=none), replace(p, right=none)] if len(p.left) and len(p.right) else []
    others += [replace(p, inner=none)] if len(p.inner) else []
    for other in others if rms > 0.15 else []:
        trial = adjust.solve(q, other, free)
        if _outline_rms(trial, other) * 1.35 + 0.04 < rms:
            best, p, rms = trial, other, _outline_rms(trial, other)
    return best, p


def _outline_rms(q: Array, p: adjust.Problem) -> float:
    r = np.abs(arc_residuals(q, p))
    return float(np.sqrt(np.mean(np.minimum(r, 3.0) ** 2)))


def arc_residuals(q: Array, p: adjust.Problem) -> Array:
    """Distances (N,) of the outline's edge points from the adjusted outline, px."""
    r, _ = adjust.residuals(q, p)
    n = 2 * len(p.seen.card)
    return np.asarray(r[n : n + len(p.arc)] * p.arc_sigma)


def _along(v: Array, half: int) -> Array:
    """Mean over ``half`` neighbours to either side, along the outline."""
    if half == 0:
        return v
    c = np.concatenate([np.zeros((1, *v.shape[1:])), np.cumsum(v, axis=0)])
    n = len(v)
    lo, hi = np.maximum(np.arange(n) - half, 0), np.minimum(np.arange(n) + half + 1, n)
    return np.asarray((c[hi] - c[lo]) / (hi - lo)[:, None, None])


def _edges_at(
    rgb: Picture, px: Array, normal: Array, half: float, spread: float, at: float = 0.0, neighbours: int = 2
) -> Array:
    """On each normal the edge near ``at`` px: the strongest, weighted by nearness (sigma ``spread`` px)."""
    t, v = colour_profiles(rgb, px, normal, half + abs(at) + 4)
    v = _along(v, neighbours)
    slope = slopes(t, v, 0.8)
    strength = np.linalg.norm(slope, axis=2)
    mag = np.where(summits(strength) & (np.abs(t - at) <= half)[None], strength, 0)
    score = np.where(mag > np.maximum(0.12 * mag.max(1), 0.8)[:, None], np.sqrt(mag), 0)
    score = score * np.exp(-0.5 * ((t - at) / spread) ** 2)[None]
    index = np.argmax(score, axis=1)
    ok = score[np.arange(len(px)), index] > 0
    if not ok.any():
        return np.zeros((0, 2))
    e = fit_colour(t, v[ok], slope[ok], index[ok], 2.6)
    fine = e.ok & (np.abs(e.offset - at) <= half + 0.5)
    return np.asarray((px[ok] + e.offset[:, None] * normal[ok])[fine])


def side_edges(rgb: Picture, view: View, q: Array, p: adjust.Problem, side: int, half: float) -> Array:
    """Edge points (N, 2) px of one side of the case just below the rim: near where the classes see the case end."""
    heights = -np.linspace(q[adjust.BREAK] + 0.25, 1.7, 14)
    px = project(adjust.side_line(q, p, side, heights), q[:6], p.camera)
    along = px[-1] - px[0]
    along /= np.linalg.norm(along)
    centre = project(q[6:9][None], q[:6], p.camera)[0]
    normal = np.array([along[1], -along[0]])
    normal *= np.sign(normal @ (px[0] - centre))
    seen = closer.in_plane(px[4:], q, p, view.y)
    ends = _ends(view, (view.z0 - seen[:, 1]) / MM, (q[6] - view.x0) / MM)
    if ends is None:
        return np.zeros((0, 2))
    over = side * (float(view.x(np.array([ends[side > 0]]))[0]) - float(seen[:, 0].mean()))
    at = over * float(p.camera.matrix[0, 0]) / float(np.linalg.norm(adjust.camera_centre(q) - q[6:9]))
    out = _edges_at(rgb, px, np.repeat(normal[None], len(px), 0), half, half / 2.5, at, neighbours=5)
    if len(out) < 5:
        return np.zeros((0, 2))
    off = (out - px[0]) @ normal
    return np.asarray(out[np.abs(off - np.median(off)) < 1.5])
