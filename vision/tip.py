"""Finds the lever's upper edge: its place from the classes, its position from edges in the picture itself."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from vision import adjust, closer
from vision.edges import colour_profiles, fit_colour, slopes, summits
from vision.model import Array
from vision.optics import project, rays, undistort
from vision.rim import Rim
from vision.segment import LEVER, MM, Picture, View

_TOP_MM, _FAINT_IS_TOP = 0.3, 0.7
"""How much of an edge is its top, and how often a fainter edge over it is the lever's real end."""
_ELSEWHERE_MM, _ELSEWHERE = 1.3, 0.95
"""The lever's highest point may lie quite elsewhere than its highest edge: how far off, and how often."""
_BEHIND_MM, _BEHIND_U_MM = 0.25, 0.8
"""Seen from above, an edge lies so far (times the rise of the view) over the highest point; standard uncertainty."""
_SHARED_MM, _MORE, _LEAST_MM = 0.05, 1.35, 0.02
"""A place that is told surely is spread by the first, for it lies between two rows of the network and is read by
straight lines between these; what more it is spread, it errs so many times as much; and this much at least."""
_ASTRAY = 0.0005
"""How probable (a millimetre) any height is that the network does not tell: it may be quite wrong."""
_STEP_MM = 0.02
_WITHIN = 0.95
"""Edge and network are weighed so that this share of truths lies within twice the stated uncertainty; all of this was
set on rendered pictures that are not those of the benchmark."""
_SURE = 0.6
"""Mean probability of what the classes take for the lever; less sure, they see something else or hardly anything."""


@dataclass(frozen=True, eq=False)
class Tip:
    """``image`` (2,) px of the highest point; ``sigma_px`` of its height; ``edge`` (N, 2) px of the upper edge;
    ``width_mm`` seen; ``slope`` of the upper edge against the rim plane (tan) with its standard error, or None when the
    edge is too short to tell; ``share``: how much of the upper edge carries a clear edge; ``rim_gap_mm``: how far over
    the rim's upper outline it is seen; ``apart_mm``: how much higher the edge lies than the network tells the tip;
    ``told``: the network has its share in ``image``, so that this is where the highest point is seen and not what is
    seen highest; ``told_mm``: the standard uncertainty of that; ``rival``: how much else that may be the lever is seen
    as well, as a share of what was taken for it."""

    image: Array
    sigma_px: float
    edge: Array
    width_mm: float
    slope: tuple[float, float] | None
    share: float
    rim_gap_mm: float = 9.0
    apart_mm: float = 0.0
    told: bool = False
    told_mm: float = 0.0
    rival: float = 0.0


def height_of(image: Array, q: Array, p: adjust.Problem, y: float) -> Array:
    """Heights (N,) over the rim plane, mm, of picture points (N, 2) taken to lie in the plane ``y``."""
    n = undistort(image, p.camera)
    centre, d = rays(n, q[:6])
    s = (y - centre[1]) / d[:, 1]
    return np.asarray((centre + s[:, None] * d - q[6:9]) @ adjust.axis(q))


@dataclass(frozen=True, eq=False)
class _Seen:
    """What was taken for the lever: ``mask`` (H, W) in ``patch``; ``rival`` as in :class:`Tip`."""

    patch: closer.Patch
    mask: npt.NDArray[np.bool_]
    rival: float = 0.0


def find(rgb: Picture, view: View, rim: Rim, y: float, off_axis_mm: float) -> Tip | None:
    """The lever's tip, or None when no lever is seen near the case's axis."""
    lever = _in_classes(view, rim, y, off_axis_mm) or _at_the_rim(rgb, rim, y)
    if lever is None:
        return None
    patch, mask = lever.patch, lever.mask
    cols = np.asarray(np.flatnonzero(mask.any(0)), np.int64)
    tops = mask[:, cols].argmax(0)
    first = int(tops.min())
    # the part of the upper edge within 1.2 mm of its highest place, in one piece
    near = tops <= first + 1.2 / patch.mm
    at = int(np.argmin(tops))
    lo = hi = at
    while lo > 0 and near[lo - 1] and cols[lo - 1] == cols[lo] - 1:
        lo -= 1
    while hi + 1 < len(cols) and near[hi + 1] and cols[hi + 1] == cols[hi] + 1:
        hi += 1
    columns: Array = np.linspace(cols[lo], cols[hi], max(7, int((cols[hi] - cols[lo]) * (patch.mm / MM) * 2) + 1))
    rows = _sub_rows(patch.prob, mask, cols[lo : hi + 1], columns)
    in_view = (patch.x0 - view.x0 + patch.mm * columns) / MM, (view.z0 - patch.z0 + patch.mm * rows) / MM
    return replace(_measure(rgb, view, rim, y, *in_view), rival=lever.rival)


def _in_classes(view: View, rim: Rim, y: float, off_axis_mm: float) -> _Seen | None:
    """The lever as the classes see it."""
    import cv2

    q, p = rim.q, rim.problem
    prob = view.prob[LEVER]
    count, parts, stats, _ = cv2.connectedComponentsWithStats((prob > 0.4).astype(np.uint8), connectivity=8)
    seen: list[tuple[float, int]] = []
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] < 10:
            continue
        rows, cols = np.nonzero(parts == k)
        top = rows.min()
        at = cols[rows <= top + 2].mean()
        x = float(view.x(np.array([at]))[0]) - q[6]
        pts = project(view.points(np.array([at]), np.array([top - 0.5])), q[:6], p.camera)
        h = float(height_of(pts, q, p, y)[0])
        if abs(x) > off_axis_mm + 3.0 or not -6.0 < h < 9.0:
            continue
        seen.append((float(prob[parts == k].sum()), k))
    if not seen:
        return None
    (score, best), *others = sorted(seen, key=lambda one: -one[0])
    mask = parts == best
    if float(prob[mask].mean()) < _SURE:
        return None
    return _Seen(closer.Patch(prob, view.x0, view.z0, MM), mask, others[0][0] / score if others else 0.0)


def _at_the_rim(rgb: Picture, rim: Rim, y: float) -> _Seen | None:
    """A lever of which too little stands out for the classes."""
    import cv2

    patch = closer.seek(rgb, rim.q, rim.problem, y, adjust.elevation(rim.q, y))
    if patch is None:
        return None
    count, parts = cv2.connectedComponents((patch.prob > 0.5).astype(np.uint8), connectivity=8)
    best = max(range(1, count), key=lambda k: float(patch.prob[parts == k].sum()))
    return _Seen(patch, parts == best)


def _sub_rows(
    prob: npt.NDArray[np.float32], mask: npt.NDArray[np.bool_], cols: npt.NDArray[np.int64], columns: Array
) -> Array:
    """Row where the lever's probability passes one half, upwards, at each of ``columns``."""
    out = []
    for c in cols:
        r = int(mask[:, c].argmax())
        a, b = (float(prob[r - 1, c]) if r else 0.0), float(prob[r, c])
        f = (0.5 - a) / (b - a) if b > a else 1.0
        out.append(r - 1 + float(np.clip(f, 0, 1)))
    return np.asarray(np.interp(columns, cols, out))


def _measure(rgb: Picture, view: View, rim: Rim, y: float, columns: Array, rows: Array) -> Tip:
    q, p = rim.q, rim.problem
    pts = view.points(columns, rows)
    px = project(pts, q[:6], p.camera)
    up = project(pts + np.array([0, 0, 0.5]), q[:6], p.camera) - px
    scale = float(np.median(np.linalg.norm(up, axis=1))) / 0.5
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    half = max(0.45 * scale, 3.0)
    t, v = colour_profiles(rgb, px, up, half + 3)
    slope = slopes(t, v, 0.8)
    strength = np.linalg.norm(slope, axis=2)
    mag = np.where(summits(strength) & (np.abs(t) <= half)[None], strength, 0)
    mag = np.where(mag > 0.2 * mag.max(1, keepdims=True), mag, 0) * _not_the_rim(t, v, px, up, rim, scale)
    # nearest strong edge to where the classes change; then once more round the smoothed course of that
    centre = np.zeros(len(px))
    for spread in (0.22 * scale, max(1.0, 0.1 * scale)):
        weight = np.sqrt(mag) * np.exp(-0.5 * ((t[None] - centre[:, None]) / spread) ** 2)
        index = np.argmax(weight, axis=1)
        centre = _running_median(t[index], 3)
    clear = mag[np.arange(len(px)), index] > 1.5
    fitted = fit_colour(t, v, slope, index, 2.6)
    ok = fitted.ok & clear & (np.abs(fitted.offset) <= half + 0.5)
    clear_share = float(ok.mean())
    edge = px + np.where(ok, fitted.offset, 0)[:, None] * up
    if ok.sum() >= 3:
        edge = edge[ok]
        used = columns[ok]
    else:
        used = columns
    h = height_of(edge, q, p, y)
    win = max(1, int(0.3 / (MM * (columns[1] - columns[0]) + 1e-9)))
    smooth = _running_median(h, win)
    k = int(np.argmax(smooth))
    pick = edge[k] + (smooth[k] - h[k]) * scale * up[0]
    e = adjust.elevation(q, y)
    place = closer.pinpoint(rgb, q, p, y, e, pick)
    edges = [(0.0, 1.0)]
    if _over_outline(pick, rim) > 0.6 * scale and ok.sum() >= 8:
        faint = _faint_top(rgb, edge[np.abs(h - smooth[k]) < _TOP_MM], up[0], scale)
        if faint > 0:
            edges = [(0.0, 1 - _FAINT_IS_TOP), (faint / scale, _FAINT_IS_TOP)]
    noise = float(np.std(h - smooth))
    soft = float(np.median(fitted.blur[ok])) if ok.any() else 2.0
    own = float(np.hypot((0.12 + 0.12 * soft) / scale, noise)) if ok.sum() >= 3 else 0.2
    width = MM * float(columns[-1] - columns[0])
    gap = _over_outline(pick, rim) / scale
    lean = _slope(used, h, width)
    higher, u = _weighed(edges, own, float(np.tan(np.radians(abs(e)))), place)
    apart = -float((place.image - pick) @ up[0]) / scale
    return Tip(pick + higher * scale * up[0], scale * u, edge, width, lean, clear_share, gap, apart, True, u)


def _weighed(edges: list[tuple[float, float]], own: float, rise: float, place: closer.Place) -> tuple[float, float]:
    """The tip's height (mm over the first edge) and its standard uncertainty: median and, widened as it errs, half the
    half-width of a 95 % interval (JCGM 101:2008, 7.7) of what edges and network tell together.

    Args:
        edges: height (mm) and probability of each edge that may be the tip's.
        own: standard uncertainty of an edge's place, mm.
        rise: tangent of the camera's elevation.
        place: what the network tells.
    """
    reach = np.abs(place.heights_mm).max()
    at = np.arange(-reach, reach, _STEP_MM)
    network = np.interp(at, place.heights_mm, place.prob / (place.heights_mm[1] - place.heights_mm[0]))
    by_edge = sum(
        w * (1 - _ELSEWHERE) * _normal(at - h + _BEHIND_MM * rise, float(np.hypot(own, _BEHIND_U_MM * rise)))
        + w * _ELSEWHERE * _normal(at - h, _ELSEWHERE_MM)
        for h, w in edges
    )
    prob = (network + _ASTRAY) * by_edge
    prob /= prob.sum()
    middle = float(np.interp(0.5, np.cumsum(prob) - prob / 2, at))
    off = np.abs(at - middle)
    order = np.argsort(off)
    half = off[order][int(np.searchsorted(np.cumsum(prob[order]), _WITHIN))]
    told = float(half + _STEP_MM / 2) / 2
    return middle, float(np.hypot(_LEAST_MM, _MORE * np.sqrt(max(told**2 - _SHARED_MM**2, 0.0))))


def _normal(x: Array, sigma: float) -> Array:
    return np.asarray(np.exp(-0.5 * (x / sigma) ** 2) / sigma)


def _over_outline(image: Array, rim: Rim) -> float:
    """How many pixels a picture point (2,) is seen over the rim's upper outline."""
    q, p = rim.q, rim.problem
    n = undistort(image[None], p.camera) @ p.turn.T
    return float((adjust.outline(q, p, n[:, 0]) - n[:, 1])[0]) * float(p.camera.matrix[0, 0])


def _faint_top(rgb: Picture, edge: Array, up: Array, scale: float) -> float:
    """How far (px) over the found edge a fainter one runs along with it; 0 when there is none.

    A bright lever's rounded upper end mirrors the background and hides its own top. Averaged along the edge (N, 2), the
    top stands out of the noise; how far single places differ says by how much it must.
    """
    if len(edge) < 8:
        return 0.0
    t, v = colour_profiles(rgb, edge, np.repeat(up[None], len(edge), 0), 1.0 * scale)
    slope = slopes(t, v, 1.0)
    mean = np.linalg.norm(slope.mean(0), axis=1)
    error = np.sqrt(np.sum(slope.var(0), axis=1) / (len(edge) / 3))
    top = (
        summits(mean[None])[0] & (t > max(0.08 * scale, 2.0)) & (t < 0.6 * scale) & (mean > np.maximum(4 * error, 0.5))
    )
    return float(t[top].max()) if top.any() else 0.0


def given(image: Array) -> Tip:
    """A tip that a person pointed at: good to about two pixels."""
    return Tip(image, 2.0, image[None], 0.0, None, 1.0)


def _running_median(x: Array, half: int) -> Array:
    """Median of each value and ``half`` on either side of it, as far as there are so many: (N, ...) along the first."""
    n, k = len(x), np.arange(len(x))
    past = np.full((half, *x.shape[1:]), np.inf)
    near = np.sort(np.lib.stride_tricks.sliding_window_view(np.concatenate([past, x, past]), 2 * half + 1, axis=0))
    count = 1 + np.minimum(k, half) + np.minimum(n - 1 - k, half)
    return np.asarray((near[k, ..., (count - 1) // 2] + near[k, ..., count // 2]) / 2)


def _not_the_rim(t: Array, v: Array, px: Array, up: Array, rim: Rim, scale: float) -> Array:
    """Factor (N, M) that turns down edges that are not the lever's: going up over its own edge the colour leaves the
    lever's colour; going up over the rim's outline, seen beside or behind the tip, it comes back from the case's."""
    q, p = rim.q, rim.problem
    xy = px[:, None, :] + t[None, :, None] * up[:, None, :]
    n = undistort(xy.reshape(-1, 2), p.camera) @ p.turn.T
    off = np.abs(n[:, 1] - adjust.outline(q, p, n[:, 0])) * float(p.camera.matrix[0, 0])
    at_rim = off.reshape(len(px), len(t)) < 1.5
    body = (t < -0.15 * scale) & (t > -0.6 * scale) if (t < -0.15 * scale).sum() > 3 else t < 0
    lever = _running_median(np.median(v[:, body], axis=1), 4)
    far = np.linalg.norm(v - lever[:, None, :], axis=2)
    w = max(1, round(1.2 / (t[1] - t[0])))
    gain = np.zeros_like(far)
    gain[:, w:-w] = far[:, 2 * w :] - far[:, : -2 * w]
    return np.where(gain > 0, 1.0, np.where(at_rim, 0.1, 0.5))


def _slope(columns: Array, h: Array, width: float) -> tuple[float, float] | None:
    """Slope of a wide upper edge, its rounded corners left out."""
    if width < 2.0 or len(h) < 8:
        return None
    x = MM * columns
    lo, hi = x[0] + 0.2 * (x[-1] - x[0]), x[-1] - 0.2 * (x[-1] - x[0])
    keep = (x >= lo) & (x <= hi)
    if keep.sum() < 5:
        return None
    for _ in range(3):
        a, b = np.polyfit(x[keep], h[keep], 1)
        r = h - (a * x + b)
        lim = max(0.05, 2.5 * 1.4826 * float(np.median(np.abs(r[keep]))))
        new = (x >= lo) & (x <= hi) & (np.abs(r) <= lim)
        if new.sum() < 5:
            break
        keep = new
    xs = x[keep]
    s = float(np.sqrt(np.mean((h[keep] - (a * xs + b)) ** 2)))
    se = s / (np.sqrt(len(xs) / 4) * max(float(xs.std()), 1e-6))
    return float(a), float(np.hypot(se, 0.008))
