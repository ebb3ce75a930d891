"""What calibration photographs have covered so far: which part of the field is still missing, shown and said.

A calibration is known where corners were seen. The field is divided into six by six cells; nine parts of it have
names, so that what is missing can be said to somebody who holds the board.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from vision.model import Array, Photo

if TYPE_CHECKING:
    from PIL import ImageDraw

CELLS = 6
ENOUGH_COVER, ENOUGH_TILT_DEG, ENOUGH_VIEWS = 0.8, 25.0, 10
_ROWS = ("upper", "", "lower")
_COLUMNS = ("left", "", "right")
_FLAT_DEG = 12.0
_ONE_MORE = "1 more picture, from another side."


@dataclass(frozen=True, eq=False)
class View:
    """The board in one picture: its corners (N, 2) px, and its tilt from facing the camera, degrees."""

    corners: Array
    tilt_deg: float


@dataclass(frozen=True, eq=False)
class Coverage:
    """The views so far of a field of ``size`` (width, height) px."""

    size: tuple[int, int]
    views: tuple[View, ...] = ()

    def with_view(self, view: View) -> Coverage:
        """With one view more."""
        return replace(self, views=(*self.views, view))

    @property
    def cells(self) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
        """How many corners lie in each cell, (6, 6), rows from above."""
        out = np.zeros((CELLS, CELLS), np.int64)
        for view in self.views:
            at = np.clip(np.floor((view.corners + 0.5) / np.array(self.size) * CELLS).astype(int), 0, CELLS - 1)
            np.add.at(out, (at[:, 1], at[:, 0]), 1)
        return out

    @property
    def share(self) -> float:
        """Share of the cells in which corners were seen."""
        return float(np.mean(self.cells > 0))

    @property
    def enough(self) -> bool:
        """Whether nothing is missing any more."""
        return not self.missing()

    def missing(self) -> tuple[str, ...]:
        """What is still missing, in plain words, the most important first; empty when it is enough."""
        if not self.views:
            return ("Hold the board before the camera, whole and in focus.",)
        out = []
        parts = self._uncovered()
        if self.share < ENOUGH_COVER and parts:
            out.append(f"Bring the board into the {_list(parts)} of the picture.")
        tilts = [view.tilt_deg for view in self.views]
        if max(tilts) - min(tilts) < ENOUGH_TILT_DEG:
            flat = max(tilts) < _FLAT_DEG
            out.append(
                "Tilt the board by 30 to 40 degrees, once to every side."
                if flat
                else "Hold the board straight before the camera once, and tilt it by 40 degrees to the sides."
            )
        if len(self.views) < ENOUGH_VIEWS:
            lack = ENOUGH_VIEWS - len(self.views)
            out.append(f"{lack} more pictures, each from another side." if lack > 1 else _ONE_MORE)
        return tuple(out)

    def _uncovered(self) -> list[str]:
        """Names of those ninths of the field of which least is covered."""
        seen = self.cells > 0
        step = CELLS // 3
        covered = {
            _name(row, column): float(np.mean(seen[r * step : (r + 1) * step, c * step : (c + 1) * step]))
            for r, row in enumerate(_ROWS)
            for c, column in enumerate(_COLUMNS)
        }
        limit = 0.49 if min(covered.values()) < 0.5 else 0.5 if min(covered.values()) == 0.5 else 0.99
        return [name for name, share in covered.items() if share <= limit]


def _name(row: str, column: str) -> str:
    if row and column:
        return f"{row} {column} corner"
    return f"{row or column} edge" if row or column else "middle"


def _list(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]


def view_of(board_points: Array, corners: Array, size: tuple[int, int]) -> View:
    """The view that a board's corners make; its tilt is estimated as for a lens of ordinary width.

    Args:
        board_points: (N, 3) mm.
        corners: (N, 2) px.
        size: of the picture.
    """
    import cv2

    f = 0.9 * max(size)
    m = np.array([[f, 0, (size[0] - 1) / 2], [0, f, (size[1] - 1) / 2], [0, 0, 1]])
    flat = np.ascontiguousarray(board_points.reshape(-1, 1, 3))
    done, rvec, _ = cv2.solvePnP(flat, np.ascontiguousarray(corners.reshape(-1, 1, 2)), m, np.zeros(5))
    tilt = float(np.degrees(np.arccos(np.clip(abs(cv2.Rodrigues(rvec)[0][2, 2]), 0, 1)))) if done else 0.0
    return View(np.asarray(corners, np.float64), tilt)


def draw(coverage: Coverage, last: Photo | None = None, *, width: int = 960) -> bytes:
    """A picture of what is covered: corners as dots, missing cells hatched, words beneath.

    Args:
        coverage: what was collected.
        last: the latest picture, shown behind, faded.
        width: of the result, px.

    Returns:
        a JPEG file.
    """
    from PIL import Image, ImageDraw, ImageFont

    scale = width / coverage.size[0]
    high = round(coverage.size[1] * scale)
    line = max(16, width // 44)
    words = [_status(coverage), *(coverage.missing() or ("Enough: nothing is missing.",))]
    image = Image.new("RGB", (width, high + round(1.5 * line * (len(words) + 0.5))), (255, 255, 255))
    if last is not None and last.size == coverage.size:
        small = Image.fromarray(last.rgb).resize((width, high), Image.Resampling.BILINEAR)
        image.paste(Image.blend(small, Image.new("RGB", small.size, (255, 255, 255)), 0.55), (0, 0))
    draw_on = ImageDraw.Draw(image)
    seen = coverage.cells > 0
    cw, ch = width / CELLS, high / CELLS
    for r in range(CELLS):
        for c in range(CELLS):
            box = (c * cw, r * ch, (c + 1) * cw, (r + 1) * ch)
            if not seen[r, c]:
                _hatch(draw_on, box)
            draw_on.rectangle(box, outline=(120, 120, 120), width=1)
    dot = max(2, width // 320)
    for view in coverage.views:
        for x, y in (view.corners + 0.5) * scale:
            draw_on.ellipse((x - dot, y - dot, x + dot, y + dot), fill=(0, 90, 160), outline=(255, 255, 255))
    font = ImageFont.load_default(line)
    for k, text in enumerate(words):
        draw_on.text((line * 0.6, high + line * (0.5 + 1.5 * k)), text, fill=(0, 0, 0), font=font)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=88)
    return out.getvalue()


def _status(coverage: Coverage) -> str:
    n = len(coverage.views)
    return f"{n} picture{'' if n == 1 else 's'}, {100 * coverage.share:.0f} % of the field covered"


def _hatch(draw_on: ImageDraw.ImageDraw, box: tuple[float, float, float, float]) -> None:
    """Slanting lines within a box."""
    left, top, right, bottom = box
    wide, high = right - left, bottom - top
    for f in np.linspace(0, 2, 13)[1:-1]:  # from the upper or right side to the left or lower one
        begin = (left + min(f, 1) * wide, top + max(f - 1, 0) * high)
        end = (left + max(f - 1, 0) * wide, top + min(f, 1) * high)
        draw_on.line((*begin, *end), fill=(200, 90, 0), width=2)
