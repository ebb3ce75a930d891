"""Finds the printed target: which markers are seen and where their corners lie, to a few hundredths of a pixel.

Every marker side gets a straight line, fitted to edge positions found by :mod:`vision.edges` in undistorted
coordinates, in light and not in the picture's values; the corners are where the lines meet. (Corner refinement by image
gradients makes lone markers too small by up to 0.4 %, growing with blur, and so do the picture's values: a blurred edge
lies too far on its dark side in them.) The squares' corners of a chessboard between markers are saddles and are refined
as such.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vision.edges import coded, fit_edges, light, profiles
from vision.model import Array, Camera, Charuco, Target
from vision.optics import distort, undistort

_BORDER = 0.08  # of a side, left out at its ends
_LIGHT = light(np.arange(256.0)).astype(np.float32)
_FAINTEST = 3.0
"""A smaller step, in 255ths of full light, is no marker's edge."""


@dataclass(frozen=True, eq=False)
class Seen:
    """Points of the target found: ``card`` (N, 2) x, z in mm; ``image`` (N, 2) px; ``sigma`` (N,) px; which
    marker each belongs to (-1: chessboard). ``outlines`` of the markers; ``blur`` sigma of their edges in px;
    ``contrast`` in grey values."""

    card: Array
    image: Array
    sigma: Array
    owner: npt.NDArray[np.int64]
    outlines: Mapping[int, Array]
    blur: float
    contrast: float

    def only(self, keep: npt.NDArray[np.bool_]) -> Seen:
        """The same with some points left out."""
        return Seen(
            self.card[keep],
            self.image[keep],
            self.sigma[keep],
            self.owner[keep],
            self.outlines,
            self.blur,
            self.contrast,
        )


def detect(grey: npt.NDArray[np.uint8], dictionary: str) -> dict[int, Array]:
    """Markers of one dictionary in a grey picture (H, W): id -> corners (4, 2) px, roughly. Doubles are dropped."""
    import cv2

    size = max(grey.shape)
    shrink = 1 if size <= 2200 else 2 if size <= 4400 else 4
    small = grey if shrink == 1 else cv2.resize(grey, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
    params = cv2.aruco.DetectorParameters()
    params.adaptiveThreshWinSizeMin = 15
    params.adaptiveThreshWinSizeMax = 53
    params.adaptiveThreshWinSizeStep = 12
    params.minMarkerPerimeterRate = 0.02
    params.minDistanceToBorder = 1
    finder = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary)), params)
    corners, ids, _ = finder.detectMarkers(small)
    out: dict[int, Array] = {}
    twice: set[int] = set()
    for quad, ident in zip(corners, [] if ids is None else ids.ravel(), strict=False):
        if int(ident) in out:
            twice.add(int(ident))
        # detected on a smaller picture: its pixel centres lie at shrink * (x + 1/2) - 1/2
        out[int(ident)] = np.asarray(quad, np.float64).reshape(4, 2) * shrink + (shrink - 1) / 2
    return {k: v for k, v in out.items() if k not in twice}


def _line(points: Array) -> tuple[Array, Array, float]:
    """Robust total least squares: a point of the line, its unit direction, rms distance of what was kept."""
    keep = np.ones(len(points), bool)
    c, d, dist = points.mean(0), np.array([1.0, 0.0]), np.zeros(len(points))
    for _ in range(4):
        c = points[keep].mean(0)
        _, _, vt = np.linalg.svd(points[keep] - c)
        d = vt[0]
        dist = np.abs((points - c) @ np.array([-d[1], d[0]]))
        limit = max(3 * 1.4826 * float(np.median(dist[keep])), 1e-9)
        new = dist <= limit
        if new.sum() < max(6, len(points) // 2) or np.array_equal(new, keep):
            break
        keep = new
    return c, d, float(np.sqrt(np.mean(dist[keep] ** 2)))


def _cross(p: tuple[Array, Array, float], q: tuple[Array, Array, float]) -> Array:
    m = np.stack([p[1], -q[1]], axis=1)
    return np.asarray(p[0] + np.linalg.solve(m, q[0] - p[0])[0] * p[1])


def refine(
    grey: npt.NDArray[np.uint8], quad: Array, camera: Camera, reach: float
) -> tuple[Array, float, float, float] | None:
    """Corners by line fits.

    Args:
        grey: picture (H, W); its edges are sought in light.
        quad: rough corners (4, 2), px.
        camera: for undistorting.
        reach: how far to either side of the rough side to look, px.

    Returns:
        corners (4, 2) px, rms distance of the edge points from their lines (px), blur sigma (px), contrast in grey
        values; None when a side cannot be seen.
    """
    lines, rms, blurs, steps = [], [], [], []
    for k in range(4):
        a, b = quad[k], quad[(k + 1) % 4]
        length = float(np.linalg.norm(b - a))
        n = int(np.clip(length / 2, 12, 60))
        f = np.linspace(_BORDER, 1 - _BORDER, n)[:, None]
        normal = np.array([b[1] - a[1], a[0] - b[0]]) / max(length, 1e-9)
        t, v = profiles(grey, a + f * (b - a), np.repeat(normal[None], n, 0), reach, curve=_LIGHT)
        start = _steepest(t, v, reach)
        edge = fit_edges(t, v, start, min(reach, max(3.0, 0.75 * reach)), min_step=_FAINTEST)
        ok = edge.ok
        if ok.sum() < max(6, n // 3):
            return None
        pts = (a + f * (b - a))[ok] + edge.offset[ok, None] * normal
        lines.append(_line(undistort(pts, camera)))
        rms.append(lines[-1][2] * float(camera.matrix[0, 0]))
        blurs.append(float(np.median(edge.blur[ok])))
        white = v[ok].max(1)
        steps.append(float(np.median(coded(white) - coded(white - np.abs(edge.step[ok])))))
    corners = np.stack([_cross(lines[k - 1], lines[k]) for k in range(4)])
    if not np.isfinite(corners).all():
        return None
    return distort(corners, camera), max(rms), float(np.median(blurs)), min(steps)


def _steepest(t: Array, v: Array, reach: float) -> Array:
    d = np.abs(np.gradient(v, axis=1))
    d = np.where(np.abs(t)[None, :] <= reach - 1, d, 0)
    return np.asarray(t[np.argmax(d, axis=1)], np.float64)


def _board_points(board: Charuco) -> Array:
    nx, nz = board.squares
    x = board.origin_mm[0] + board.square_mm * np.arange(1, nx)
    z = board.origin_mm[1] - board.square_mm * np.arange(1, nz)
    return np.stack([v.ravel() for v in np.meshgrid(x, z)], axis=1)


def _saddles(grey: npt.NDArray[np.uint8], board: Charuco, card: Array, image: Array) -> tuple[Array, Array]:
    """Chessboard corners near at least one marker that was found: card (N, 2) mm, image (N, 2) px."""
    import cv2

    h, _ = cv2.findHomography(card, image, cv2.RANSAC, 2.0)
    if h is None:
        return np.zeros((0, 2)), np.zeros((0, 2))
    points = _board_points(board)
    guess = cv2.perspectiveTransform(points[:, None, :], h)[:, 0, :]
    near = np.array([np.min(np.linalg.norm(card - p, axis=1)) < board.square_mm for p in points])
    points, guess = points[near], guess[near]
    inside = (guess > 12).all(1) & (guess[:, 0] < grey.shape[1] - 12) & (guess[:, 1] < grey.shape[0] - 12)
    points, guess = points[inside], guess[inside]
    if len(points) == 0:
        return points, guess
    side = np.linalg.norm(
        cv2.perspectiveTransform((points + np.array([board.square_mm, 0]))[:, None, :], h)[:, 0, :] - guess, axis=1
    )
    win = int(np.clip(0.5 * (board.square_mm - board.marker_mm) / board.square_mm * float(np.median(side)), 2, 9))
    fine = guess.astype(np.float32).reshape(-1, 1, 2)
    crit = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 0.002)
    cv2.cornerSubPix(grey, fine, (win, win), (-1, -1), crit)
    fine64 = fine.reshape(-1, 2).astype(np.float64)
    good = np.linalg.norm(fine64 - guess, axis=1) < max(2.0, 0.6 * win)
    return points[good], fine64[good]


def find(grey: npt.NDArray[np.uint8], target: Target, camera: Camera) -> Seen | None:
    """The target's points in a picture, or None when none of its markers is seen.

    Args:
        grey: picture (H, W) uint8.
        target: what is printed.
        camera: for undistorting.
    """
    rough = {k: q for k, q in detect(grey, target.dictionary).items() if k in target.markers}
    if not rough:
        return None
    card: list[Array] = []
    image: list[Array] = []
    sigma: list[float] = []
    owner: list[int] = []
    outlines: dict[int, Array] = {}
    blurs, steps = [], []
    for ident, quad in rough.items():
        side = float(np.linalg.norm(np.roll(quad, -1, 0) - quad, axis=1).mean())
        got = refine(grey, quad, camera, float(np.clip(0.09 * side, 3.0, 14.0)))
        outlines[ident] = quad if got is None else got[0]
        if got is None:
            continue
        corners, rms, blur, step = got
        moved = np.linalg.norm(corners - quad, axis=1)
        card += [np.array(c) for c in target.markers[ident]]
        image += list(corners)
        sigma += [float(np.hypot(0.05 + rms * 0.35, 0.15 * max(0.0, m - 3.0))) for m in moved]
        owner += [ident] * 4
        blurs.append(blur)
        steps.append(step)
    if not card:
        return Seen(np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0), np.zeros(0, np.int64), outlines, 9.0, 0.0)
    card_a, image_a = np.array(card, np.float64), np.array(image, np.float64)
    sigma_a, owner_a = np.array(sigma), np.array(owner, np.int64)
    if target.charuco is not None and len(card_a) >= 8:
        p, q = _saddles(grey, target.charuco, card_a, image_a)
        card_a, image_a = np.concatenate([card_a, p]), np.concatenate([image_a, q])
        sigma_a = np.concatenate([sigma_a, np.full(len(p), 0.06)])
        owner_a = np.concatenate([owner_a, np.full(len(p), -1)])
    return Seen(
        card_a,
        image_a,
        sigma_a,
        owner_a,
        outlines,
        float(np.median(blurs)),
        float(np.median(steps)),
    )
