"""Small networks that look closely where :mod:`vision.segment` has shown where to look.

One gets a strip of the picture along the rim's expected outline and tells, column by column, in which row the edge
runs; one gets a strip along a side of the case and tells where the case ends; one gets a window round the tip and what
is round it, and tells where the lever's highest point lies and where the lever is. All answer with a distribution:
where two edges compete, or nothing can be told, its spread says so. They were trained on made-up scenes with exact
truth (``vision/training``); OpenCV runs their files.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from vision import adjust
from vision.edges import needed, shrunk
from vision.model import Array
from vision.optics import project, rays, undistort

_ROWS, _COLUMNS, _ROW_MM, _GROUP = 48, 512, 0.06, 4
_UP_MM = ((_ROWS - 1) / 2 - np.arange(_ROWS)) * _ROW_MM
"""How high over a strip's middle its rows lie."""
_WINDOW, _WINDOW_MM, _AROUND = 96, 0.08, 4
_OFF_MM = (np.arange(_WINDOW) - (_WINDOW - 1) / 2) * _WINDOW_MM
"""How far to the right of a window's middle its columns lie, and its rows below it."""
_SIDE_ROWS, _SIDE_COLUMNS, _SIDE_ROW_MM, _SIDE_COLUMN_MM, _OVER_MM = 128, 48, 0.06, 0.08, 1.6
SIDE_MM = 0.8
"""How far below the rim the place of a side is told."""
_FINEST_PX_PER_MM = 11.5
"""Pictures are shrunk to this: the networks never saw finer ones, and an edge is no sharper for it."""
_OUTER_PART, _INNER_PART = 0.935, 0.885
"""How much of an outline's width is looked at: nearer to its ends it runs too steeply."""
_NEXT_MM, _OVER_OUTLINE_MM = 5.0, 0.5
"""A lever is sought in windows so far apart along the rim, whose middles lie so far over its outline."""
_SURELY, _TOLD_MM = 0.9, 0.15
"""A lever that the classes do not see counts when one is seen somewhere so surely and its tip is told so narrowly: set
on 76 rendered pictures, 46 of them without a lever to be seen, and none is taken for one there."""


@dataclass(frozen=True, eq=False)
class Course:
    """Where an edge runs: points (N, 2) in px; how far (mm, up positive) each lies from where the edge was expected;
    the spread of what the network told (mm), beyond that of a place between two rows."""

    image: Array
    off_mm: Array
    spread_mm: Array


@dataclass(frozen=True, eq=False)
class Place:
    """Where the tip is: ``image`` (2,) px; ``prob`` (M,): how probable it is to lie ``heights_mm`` (M,), ascending,
    over the place from which it was sought."""

    image: Array
    heights_mm: Array
    prob: Array


@dataclass(frozen=True, eq=False)
class Patch:
    """A part of the lever's plane: ``prob`` (H, W), how probable the lever is; x of the first column, z of the first
    row, mm a pixel."""

    prob: npt.NDArray[np.float32]
    x0: float
    z0: float
    mm: float


@lru_cache(maxsize=4)
def _network(name: str) -> object:
    import cv2

    data = (files("vision") / "data" / f"{name}.onnx").read_bytes()
    # by OpenCV's newer engine these small networks take a fifth longer, by its older one vision.segment's takes a half
    return cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8), engine=cv2.dnn.ENGINE_CLASSIC)


def _answers(name: str, channels: list[Array]) -> Array:
    net = _network(name)
    net.setInput(np.ascontiguousarray(np.stack(channels)[None], np.float32))  # type: ignore[attr-defined]
    return np.asarray(net.forward()[0], np.float64)  # type: ignore[attr-defined]


def _run(name: str, channels: list[Array]) -> Array:
    return np.asarray(_answers(name, channels)[0])


def _colours(rgb: npt.NDArray[np.uint8], px: Array, px_per_mm: float) -> list[Array]:
    """Red, green and blue (0..1) of the picture at px (H, W, 2)."""
    import cv2

    lo, hi = needed(px, rgb, 4)
    part = rgb[lo[1] : hi[1], lo[0] : hi[0]]
    local = px - lo
    shrink = px_per_mm / _FINEST_PX_PER_MM
    if shrink > 1.05:
        part, times = shrunk(part, shrink)
        local = (local + 0.5) / times - 0.5
    at = local.astype(np.float32)
    out = cv2.remap(part.astype(np.float32), at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return list(np.asarray(out, np.float64).transpose(2, 0, 1) / 255)


def scale(q: Array, p: adjust.Problem) -> float:
    """Picture pixels a millimetre at the case's axis."""
    return float(p.camera.matrix[0, 0]) / float(np.linalg.norm(adjust.camera_centre(q) - q[adjust.CENTRE]))


def in_plane(image: Array, q: Array, p: adjust.Problem, y: float) -> Array:
    """Picture points (N, 2) px carried into the plane ``y`` of the card frame: (N, 2) x, z in mm."""
    centre, d = rays(undistort(image, p.camera), q[adjust.POSE])
    at = centre + ((y - centre[1]) / d[:, 1])[:, None] * d
    return np.asarray(at[:, [0, 2]])


def _seen_at(x: Array, z: Array, q: Array, p: adjust.Problem, y: float) -> Array:
    """Places x, z (same shape) of the plane ``y`` to px (..., 2)."""
    xyz = np.stack([x.ravel(), np.full(x.size, y), z.ravel()], axis=1)
    return project(xyz, q[adjust.POSE], p.camera).reshape(*x.shape, 2)


def outline_in_plane(q: Array, p: adjust.Problem, y: float, near: bool) -> Array:
    """The rim's upper outline, or the land's near inner edge, seen in the plane ``y``: (N, 2) x, z ascending in x."""
    return in_plane(adjust.to_pixels(outline(q, p, near), p), q, p, y)


def outline(q: Array, p: adjust.Problem, near: bool) -> Array:
    """The rim's upper outline, or the land's near inner edge: (N, 2) turned normalised coordinates, ascending in x."""
    if near:
        return adjust.branches(q, p, float(q[adjust.INNER]))[0]
    halves = adjust.branches(q, p, p.geometry.rim_diameter_mm / 2 - q[adjust.BREAK])
    x = np.linspace(min(h[0, 0] for h in halves), max(h[-1, 0] for h in halves), 241)
    return np.stack([x, adjust.outline(q, p, x)], axis=1)


def follow(rgb: npt.NDArray[np.uint8], q: Array, p: adjust.Problem, y: float, elevation: float, near: bool) -> Course:
    """Where the rim's upper outline (or, ``near``, the land's near inner edge) runs.

    Args:
        rgb: the picture.
        q: the unknowns as known so far; the edge is sought within 1.4 mm of what follows from them.
        p: the problem they solve.
        y: the lever plane's depth, mm.
        elevation: of the camera over the rim plane, degrees.
        near: which of the two edges.
    """
    channels, x, z = edge_strip(rgb, q, p, y, elevation, near)
    score = _run("edge", channels)
    prob = np.exp(score - score.max(0))
    prob /= prob.sum(0)
    mean = np.sum(prob * _UP_MM[:, None], axis=0)
    part = (_UP_MM[0] - mean) / _ROW_MM % 1
    shared = part * (1 - part) * _ROW_MM**2  # what is sure lies between two rows and is told as both
    spread = np.sqrt(np.maximum(np.sum(prob * _UP_MM[:, None] ** 2, axis=0) - mean**2 - shared, 0))
    xm, zm = x.reshape(-1, _GROUP).mean(1), z.reshape(-1, _GROUP).mean(1)
    return Course(_seen_at(xm, zm + mean, q, p, y), mean, spread)


def edge_strip(
    rgb: npt.NDArray[np.uint8], q: Array, p: adjust.Problem, y: float, elevation: float, near: bool
) -> tuple[list[Array], Array, Array]:
    """What the network gets of an edge that is expected at places x, z (512,) of the plane ``y``, the strip's middle;
    with those."""
    curve = outline_in_plane(q, p, y, near)
    # the branches end at 78 degrees to either side: the outline itself is so much wider
    half = (curve[-1, 0] - curve[0, 0]) / 2 / float(np.sin(np.radians(78)))
    s = np.linspace(-1, 1, _COLUMNS)
    x = (curve[-1, 0] + curve[0, 0]) / 2 + s * half * (_INNER_PART if near else _OUTER_PART)
    z = np.interp(x, curve[:, 0], curve[:, 1])
    px = _seen_at(np.broadcast_to(x, (_ROWS, _COLUMNS)), z[None] + _UP_MM[:, None], q, p, y)
    flat = np.ones((_ROWS, _COLUMNS))
    return [*_colours(rgb, px, scale(q, p)), flat * elevation / 15, flat * s, flat * float(near)], x, z


def beside(
    rgb: npt.NDArray[np.uint8], q: Array, p: adjust.Problem, y: float, elevation: float, side: int
) -> tuple[Array, Array]:
    """How far outside its expected place the case's left (-1) or right (1) side may be (mm, ascending; up to 3.8 to
    either way), and how probable each of these places is."""
    x, z = side_strip(q, p, y, side)
    px = _seen_at(x, z, q, p, y)
    below = np.arange(_SIDE_COLUMNS) * _SIDE_COLUMN_MM - _OVER_MM
    flat = np.ones((_SIDE_ROWS, _SIDE_COLUMNS))
    score = _run("side", [*_colours(rgb, px, scale(q, p)), flat * elevation / 15, flat * below / 2])[:, 0]
    prob: Array = np.exp(score - score.max())
    at = (np.arange(_SIDE_ROWS) - (_SIDE_ROWS - 1) / 2) * _SIDE_ROW_MM
    return np.asarray(at, np.float64), np.asarray(prob / prob.sum())


def side_strip(q: Array, p: adjust.Problem, y: float, side: int) -> tuple[Array, Array]:
    """Places x, z (rows outwards, columns downwards) of the plane ``y`` along the expected left or right side."""
    rows, columns = np.mgrid[:_SIDE_ROWS, :_SIDE_COLUMNS]
    out_mm, below_mm = (rows - (_SIDE_ROWS - 1) / 2) * _SIDE_ROW_MM, columns * _SIDE_COLUMN_MM - _OVER_MM
    at = side_places(q, p, y, side, out_mm.ravel(), below_mm.ravel())
    return at[:, 0].reshape(rows.shape), at[:, 1].reshape(rows.shape)


def side_places(q: Array, p: adjust.Problem, y: float, side: int, out_mm: Array, below_mm: Array) -> Array:
    """Places (N, 2) x, z of the plane ``y`` so far outside a side and so far below the rim, mm at the side."""
    ends = project(adjust.side_line(q, p, side, np.array([0.0, -3.0])), q[adjust.POSE], p.camera)
    top, foot = in_plane(ends, q, p, y)
    down = (foot - top) / 3
    out = side * np.array([-down[1], down[0]])
    return np.asarray(top + np.outer(below_mm, down) + np.outer(out_mm, out))


def beside_px(q: Array, p: adjust.Problem, y: float, side: int, out_mm: float) -> Array:
    """The picture point (1, 2) ``out_mm`` outside a side's expected place."""
    at = side_places(q, p, y, side, np.array([out_mm]), np.array([SIDE_MM]))
    return _seen_at(at[:, 0], at[:, 1], q, p, y)


def pinpoint(
    rgb: npt.NDArray[np.uint8], q: Array, p: adjust.Problem, y: float, elevation: float, start: Array
) -> Place:
    """Where the lever's highest point lies, near the picture point ``start`` (2,) px (within about 2 mm)."""
    curve = outline_in_plane(q, p, y, False)
    at = first = in_plane(start[None], q, p, y)[0]
    for _ in range(2):
        prob = _tip_shares(tip_windows(rgb, q, p, y, at, curve, elevation))
        rows = prob.sum(1)[::-1]
        dz, dx = float(rows @ _OFF_MM), float(prob.sum(0) @ _OFF_MM)
        heights = _OFF_MM + at[1] - first[1]
        at = at + np.array([dx, dz])
        if abs(dz) < 4 * _WINDOW_MM and abs(dx) < 12 * _WINDOW_MM:
            break
    return Place(_seen_at(at[:1], at[1:], q, p, y)[0], heights, rows)


def seek(rgb: npt.NDArray[np.uint8], q: Array, p: adjust.Problem, y: float, elevation: float) -> Patch | None:
    """A lever along the rim's outline that only the network of the tip sees, when it is sure of both that and where
    the tip lies."""
    curve = outline_in_plane(q, p, y, False)
    for across in (0.0, -_NEXT_MM, _NEXT_MM):
        x = float(q[adjust.CENTRE][0]) + across
        at = np.array([x, np.interp(x, curve[:, 0], curve[:, 1]) + _OVER_OUTLINE_MM])
        place, lever, _ = _answers("tip", tip_windows(rgb, q, p, y, at, curve, elevation))
        rows = _shares(place).sum(1)
        spread = float(np.sqrt(max(rows @ _OFF_MM**2 - (rows @ _OFF_MM) ** 2, 0)))
        prob = np.asarray(1 / (1 + np.exp(-lever)), np.float32)
        if prob.max() > _SURELY and spread < _TOLD_MM:
            return Patch(prob, float(x + _OFF_MM[0]), float(at[1] - _OFF_MM[0]), _WINDOW_MM)
    return None


def tip_windows(
    rgb: npt.NDArray[np.uint8], q: Array, p: adjust.Problem, y: float, at: Array, curve: Array, elevation: float
) -> list[Array]:
    """What the network gets of the place x, z (2,) of the plane ``y``, near and all round; ``curve``: the outline."""
    return [c for coarser in (1, _AROUND) for c in _window(rgb, q, p, y, at, curve, elevation, coarser)]


def _tip_shares(channels: list[Array]) -> Array:
    """How probable the tip is at each place of a window; asked of its mirror image, too, in which it is as high."""
    mirrored = [c[:, ::-1] for c in channels]
    return (_shares(_run("tip", channels)) + _shares(_run("tip", mirrored))[:, ::-1]) / 2


def _shares(score: Array) -> Array:
    prob = np.exp(score - score.max())
    return np.asarray(prob / prob.sum())


def _window(
    rgb: npt.NDArray[np.uint8],
    q: Array,
    p: adjust.Problem,
    y: float,
    at: Array,
    curve: Array,
    elevation: float,
    coarser: int,
) -> list[Array]:
    """Colours, elevation and height over the outline round a place x, z (2,) of the plane ``y``, at ``coarser`` times
    the pitch; coarse pixels are the mean of two by two."""
    n, mm = (_WINDOW, _WINDOW_MM) if coarser == 1 else (2 * _WINDOW, coarser * _WINDOW_MM / 2)
    step = (np.arange(n) - (n - 1) / 2) * mm
    x, z = np.broadcast_to(at[0] + step, (n, n)), np.broadcast_to((at[1] - step)[:, None], (n, n))
    over = np.clip((z - np.interp(x, curve[:, 0], curve[:, 1])) / (2 * coarser), -1, 1)
    channels = [*_colours(rgb, _seen_at(x, z, q, p, y), scale(q, p)), np.full((n, n), elevation / 15), over]
    if coarser == 1:
        return channels
    fine = np.stack(channels)
    pairs = fine[:, ::2] + fine[:, 1::2]
    return list((pairs[..., ::2] + pairs[..., 1::2]) / 4)
