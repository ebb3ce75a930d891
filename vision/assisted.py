"""Measuring with points that a person set: what the review page, the bench page and the command line call.

The picture, the target and the arithmetic are those of :func:`vision.measure`; only the edges that could not be found
come from a person. What is set is checked before it is believed: a slip of the hand must not become a height.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vision.errors import PointsError
from vision.measuring import measure
from vision.model import Array, Component, Flag, Measurement, Photo, Point, Refusal, Setup

LEAST_RIM_POINTS = 3
_NEAREST_PX = 4.0
_SPAN = 0.4
"""Share of the rim's diameter that its points must span, so that they tell a circle of known size."""
_STRAY_PX = 4.0
_LOWEST_MM, _HIGHEST_MM = -12.0, 20.0
"""A tip further below or above the rim is none (rule of this program, no source)."""


def measure_at(
    photo: Photo,
    setup: Setup,
    *,
    tip: Point | None = None,
    rim: Sequence[Point] = (),
    shown: float = 1.0,
) -> Measurement | Refusal:
    """Height of the lever's tip, measured with points that a person set.

    Args:
        photo: the picture.
        setup: camera, target and case.
        tip: the lever's highest point, x, y in pixels of the photograph turned upright; None: to be found.
        rim: points on the rim's upper outline, three or more, well apart; none: to be found.
        shown: pixels of the photograph to one pixel of the screen on which the points were set (1: full size). A
            point set on a smaller picture is so much less certain.

    Returns:
        the measurement, marked as assisted and with the points in it; or why there is none.

    Raises:
        PointsError: no point, a point outside the picture or set twice, one or two rim points.
    """
    _check(photo, tip, rim, shown)
    points: dict[str, list[Point]] = {}
    if tip is not None:
        points["tip"] = [tip]
    if rim:
        points["rim"] = list(rim)
    result = measure(photo, setup, points=points)
    if isinstance(result, Refusal):
        return result
    wrong = _contradiction(result, setup, tip, np.asarray(rim, np.float64).reshape(-1, 2), shown)
    if wrong is not None:
        return Refusal("points_unusable", wrong, result.pixels, {}, result.photo_sha256, result.setup_name)
    given = {name: tuple((float(x), float(y)) for x, y in ps) for name, ps in points.items()}
    return replace(_coarser(result, tip, rim, shown), assisted=True, points=given)


def _check(photo: Photo, tip: Point | None, rim: Sequence[Point], shown: float) -> None:
    if tip is None and not rim:
        raise PointsError("no point was set; set the tip, or three points of the rim, or both")
    if rim and len(rim) < LEAST_RIM_POINTS:
        raise PointsError(
            f"{len(rim)} of the rim's points cannot tell where it lies; set at least {LEAST_RIM_POINTS}: "
            "at both ends and between them"
        )
    if not (math.isfinite(shown) and 0 < shown <= 100):
        raise PointsError(f"{shown} is no scale of a picture; give photograph pixels per screen pixel, 1 for full size")
    wide, high = photo.size
    for name, (x, y) in [*([("the tip", tip)] if tip else []), *((f"rim point {k}", p) for k, p in enumerate(rim, 1))]:
        if not (math.isfinite(x) and math.isfinite(y) and -0.5 <= x <= wide - 0.5 and -0.5 <= y <= high - 0.5):
            raise PointsError(
                f"{name} at {x:g}, {y:g} lies outside the picture of {wide} x {high} pixels; set it in the picture"
            )
    for k, p in enumerate(rim):
        for n, other in enumerate(rim[:k], 1):
            if math.dist(p, other) < _NEAREST_PX:
                raise PointsError(f"rim points {n} and {k + 1} are the same place; set them well apart")


def _contradiction(m: Measurement, setup: Setup, tip: Point | None, rim: Array, shown: float) -> str | None:
    if len(rim):
        wide = setup.geometry.rim_diameter_mm
        span = float(np.ptp(rim[:, 0])) * m.scale_mm_per_px
        if span < _SPAN * wide:
            return (
                f"The rim's points span only {span:.0f} of its {wide:.0f} millimetres. "
                "Set them at both ends of the rim and between them."
            )
        if m.pixels.rim_outline is not None:
            off = [_distance(p, m.pixels.rim_outline) for p in rim]
            worst = int(np.argmax(off))
            if off[worst] > max(_STRAY_PX, 3 * shown, 0.006 * float(np.ptp(rim[:, 0]))):
                return (
                    f"Rim point {worst + 1} lies {off[worst]:.0f} pixels off the circle that all of them tell. "
                    "Set it again, on the rim's upper outline."
                )
    if tip is not None and not _LOWEST_MM <= m.value_mm <= _HIGHEST_MM:
        return (
            f"The point set as the tip lies {abs(m.value_mm):.0f} millimetres "
            f"{'over' if m.value_mm > 0 else 'below'} the rim. Set it on the lever's highest point."
        )
    return None


def _distance(point: Array, outline: Array) -> float:
    """From a point (2,) to a closed line through points (N, 2), px."""
    a, b = outline, np.roll(outline, -1, 0)
    d = b - a
    f = np.clip(np.sum((point - a) * d, 1) / np.maximum(np.sum(d * d, 1), 1e-12), 0, 1)
    return float(np.min(np.linalg.norm(a + f[:, None] * d - point, axis=1)))


def _coarser(m: Measurement, tip: Point | None, rim: Sequence[Point], shown: float) -> Measurement:
    """With what a point is less certain because the picture was shown smaller; at full size that is in the budget
    already (2 px at the tip, 1.5 px at each point of the rim)."""
    more = math.sqrt(max(shown * shown - 1, 0.0))
    if more == 0:
        return m
    weight = 0.0 if tip is None else 2.0**2
    if rim:
        weight += 1.5**2 * _leverage(np.array([x for x, _ in rim]), m.pixels.foot)
    sensitivity = m.scale_mm_per_px * math.sqrt(weight)
    row = Component("points set on a smaller picture", shown, "px", more, sensitivity, sensitivity * more)
    rows = (*m.budget, row)
    expanded = m.k * math.sqrt(sum(r.contribution_mm**2 for r in rows))
    flags = m.flags
    if shown > 2:
        flags = (
            *flags,
            Flag("points_coarse", "The points were set on a small picture; enlarge it and set them again."),
        )
    return replace(m, budget=rows, expanded_mm=expanded, flags=flags)


def _leverage(x: Array, foot: Array | None) -> float:
    """Variance of a straight line through points at ``x`` (N,), at the tip, in units of one point's variance."""
    at = float(x.mean()) if foot is None else float(foot[0])
    spread = float(np.sum((x - x.mean()) ** 2))
    return 1 / len(x) + ((at - float(x.mean())) ** 2 / spread if spread > 0 else 0.0)
