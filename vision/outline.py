"""The case's outline as the classes of :mod:`vision.segment` show it, to 0.2 mm: :mod:`vision.rim` begins with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vision.model import Array
from vision.segment import INSIDE, LEVER, MM, OTHER, View

_MIN_COLUMNS = 120
_WITHIN = 0.08
"""So far within the case, as a part of its width, its ends are sought from."""


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

    label = _most_probable(view.prob)
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
    aside = np.abs(cols - (left + right) / 2) > 0.38 * (right - left)
    rim_row = float(np.median(rows[aside])) if aside.sum() > 8 else float(np.percentile(rows, 80))
    rows_below = np.arange(rim_row + 0.5 / MM, rim_row + 1.8 / MM)
    ends_at = _ends(view, rows_below, left, right)
    if ends_at is not None:
        left, right = ends_at
    if right - left < _MIN_COLUMNS:
        return None
    x = view.x(np.array([left, right]))
    near = _near_edge(label, mask, left, right)
    return Rough(cols, rows, *near, float(x.mean()), float((x[1] - x[0]) / 2), float(view.z(np.array([rim_row]))[0]))


def _most_probable(prob: npt.NDArray[np.float32]) -> npt.NDArray[np.uint8]:
    """The class of each pixel, as ``prob.argmax(0)`` tells it and several times quicker."""
    best, label = prob[0], np.zeros(prob.shape[1:], np.uint8)
    for k in range(1, len(prob)):
        np.copyto(label, k, where=prob[k] > best)
        best = np.maximum(best, prob[k])
    return label


def _ends(view: View, rows: Array, left: float, right: float) -> tuple[float, float] | None:
    """Columns, left and right, where the case ends in ``rows``, going out from close by its ends as they are known so
    far (from its middle a thing that stands in its opening would be taken for them); None outside the view."""
    case = 1 - view.prob[OTHER]
    r = np.round(rows).astype(int)
    r = r[(r >= 0) & (r < case.shape[0])]
    if len(r) < 4:
        return None
    within = np.array([left, right]) + _WITHIN * (right - left) * np.array([1, -1])
    a, b = np.round(np.clip(within, 1, case.shape[1] - 2)).astype(int)
    return a - float(np.median([_crossing(case[k, a::-1]) for k in r])), b + float(
        np.median([_crossing(case[k, b:]) for k in r])
    )


def _crossing(line: npt.NDArray[np.float32]) -> float:
    """Where values, one half and more at the beginning, first fall through one half."""
    low = np.flatnonzero(line < 0.5)
    if len(low) == 0 or low[0] == 0:
        return float(len(line) - 1 if len(low) == 0 else 0)
    k = int(low[0])
    return k - 1 + float((line[k - 1] - 0.5) / (line[k - 1] - line[k]))


def _near_edge(
    label: npt.NDArray[np.uint8], mask: npt.NDArray[np.bool_], left: float, right: float
) -> tuple[Array, Array]:
    """Columns and rows where the case's inside ends at the near side of the rim."""
    inside = mask & ((label == INSIDE) | (label == LEVER))
    inside &= (label != LEVER) | np.logical_or.accumulate(label == INSIDE, axis=0)
    last = inside.shape[0] - 1 - inside[::-1].argmax(0)
    columns = np.arange(inside.shape[1])
    ok = inside.any(0) & (columns > left + 0.12 * (right - left)) & (columns < right - 0.12 * (right - left))
    ok &= (label == INSIDE).sum(0) >= 2
    if ok.sum() < 0.4 * (right - left):
        return np.zeros(0), np.zeros(0)
    return columns[ok].astype(float), last[ok] + 0.5
