"""Tells lever, rim and case apart: a small network on a view of the lever's plane at a fixed scale.

It only says what is what, to about 0.2 mm; every position that is measured is found afterwards by
:mod:`vision.edges` in the picture itself. The network was trained on made-up scenes (``vision/training``); its file
``data/segment.onnx`` is run by OpenCV.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from vision.edges import needed, shrunk
from vision.model import Array, Camera
from vision.optics import project

Picture = npt.NDArray[np.uint8]
WIDTH, HEIGHT, MM = 544, 320, 0.16
OTHER, OUTSIDE, LAND, INSIDE, LEVER = range(5)


@dataclass(frozen=True, eq=False)
class View:
    """The lever's plane seen square on: class probabilities (5, H, W); the card-frame x of column 0 and z of row 0,
    y of the plane."""

    prob: npt.NDArray[np.float32]
    x0: float
    z0: float
    y: float
    rgb: npt.NDArray[np.uint8]

    def x(self, column: Array) -> Array:
        """Card-frame x, mm, of columns."""
        return np.asarray(self.x0 + MM * column)

    def z(self, row: Array) -> Array:
        """Card-frame z, mm, of rows."""
        return np.asarray(self.z0 - MM * row)

    def points(self, column: Array, row: Array) -> Array:
        """Card-frame points (N, 3) of view pixels."""
        return np.stack([self.x(column), np.full(len(column), self.y), self.z(row)], axis=1)


@lru_cache(maxsize=1)
def _network() -> object:
    import cv2

    data = (files("vision") / "data" / "segment.onnx").read_bytes()
    return cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8))


def look(rgb: npt.NDArray[np.uint8], pose: Array, camera: Camera, y: float, centre: tuple[float, float]) -> View:
    """Resample the plane ``y`` of the card frame round ``centre`` (x, z) and classify it.

    Args:
        rgb: the picture (H, W, 3).
        pose: card to camera (6,).
        camera: its camera.
        y: depth of the lever's plane in the card frame, mm.
        centre: x, z of the view's middle, mm.
    """
    import cv2

    x0, z0 = centre[0] - MM * (WIDTH - 1) / 2, centre[1] + MM * (HEIGHT - 1) / 2
    # a coarse grid of true projections, interpolated: exact to a thousandth of a pixel, and quick
    gc, gr = np.linspace(0, WIDTH - 1, 35), np.linspace(0, HEIGHT - 1, 21)
    cc, rr = np.meshgrid(gc, gr)
    pts = np.stack([x0 + MM * cc.ravel(), np.full(cc.size, y), z0 - MM * rr.ravel()], axis=1)
    uv = project(pts, pose, camera).reshape(len(gr), len(gc), 2)
    lo, hi = needed(uv, rgb, 8)
    part, local = rgb[lo[1] : hi[1], lo[0] : hi[0]], uv - lo
    span = float(np.median(np.linalg.norm(np.diff(uv, axis=1), axis=2))) / (gc[1] - gc[0])
    if span > 1.3:  # picture pixels per view pixel
        part, times = shrunk(part, span)
        local = (local + 0.5) / times - 0.5
    across, down = (_spread(local[..., k].astype(np.float32)) for k in range(2))
    crop = np.asarray(cv2.remap(part, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.uint8)
    blob = np.ascontiguousarray(crop.transpose(2, 0, 1)[None], np.float32) / 255
    net = _network()
    net.setInput(blob)  # type: ignore[attr-defined]
    logits = np.asarray(net.forward()[0], np.float32)  # type: ignore[attr-defined]
    e = np.exp(logits - logits.max(0))
    return View(e / e.sum(0), x0, z0, y, crop)


def _spread(grid: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Linear interpolation of a coarse grid of one coordinate to every view pixel."""
    rows, columns = _between(HEIGHT, grid.shape[0]), _between(WIDTH, grid.shape[1])
    return np.asarray(rows @ grid.astype(np.float64) @ columns.T, np.float32)


def _between(fine: int, coarse: int) -> Array:
    """What each of ``coarse`` values has in ``fine`` ones that lie evenly among them: (fine, coarse)."""
    at = np.linspace(0, coarse - 1, fine)
    return np.asarray(np.maximum(1 - np.abs(at[:, None] - np.arange(coarse)), 0))
