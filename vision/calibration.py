"""Calibrates a camera from photographs of a printed board: matrix, distortion, their covariance, plain words.

The model is OpenCV's pinhole with radial and tangential distortion; the covariance follows from the normal equations
with the boards' poses eliminated (Schur complement), scaled by the residuals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from vision.cameras import same_focus
from vision.coverage import Coverage, View
from vision.errors import CalibrationError
from vision.model import Array, Camera, Photo

MIN_PHOTOS, MIN_CORNERS = 4, 12
_SMALL = 1600
_LARGE, _OFF_MIDDLE = 0.0004, 0.1
"""Residual, and distance of the principal point from the middle, in shares of the picture's longer side that are much
(common practice, no source)."""
_TAKEN = {
    "model": "camera_model",
    "lens": "lens",
    "focal_length_mm": "focal_length_mm",
    "zoom": "zoom",
    "focus": "focus",
    "turn": "turn",
}
FOCUS_CHANGED = "The focus changed between the pictures: lock it, so that the calibration holds for one focus."
_NO_FIT = "these photographs carry no calibration; take the board from different sides, tilted, near and far"
_MUST_AGREE = {"model": "the camera", "lens": "the lens", "focal_length_mm": "the focal length", "zoom": "the zoom"}


@dataclass(frozen=True)
class Board:
    """The printed board. ``across``, ``down``: squares of a ChArUco board, inner corners of a plain chessboard."""

    across: int
    down: int
    square_mm: float
    kind: Literal["charuco", "chessboard"] = "charuco"
    marker_mm: float = 0.0
    dictionary: str = "DICT_5X5_100"


@dataclass(frozen=True, eq=False)
class Calibration:
    """The camera, residual rms (px), rms of each photo used, which were left out and why, the field that their corners
    cover, and the quality in plain words."""

    camera: Camera
    rms_px: float
    photo_rms_px: tuple[float, ...]
    used: tuple[int, ...]
    left_out: tuple[tuple[int, str], ...]
    field: Coverage
    words: tuple[str, ...]

    @property
    def coverage(self) -> float:
        """Share of the picture that was covered by corners."""
        return self.field.share

    @property
    def good(self) -> bool:
        """Whether nothing had to be said against it."""
        return len(self.words) == 1


def corners_of(photo: Photo, board: Board) -> tuple[Array, Array]:
    """The board's corners in one photo: board points (N, 3) mm and picture points (N, 2) px; empty when unseen."""
    import cv2

    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    none = np.zeros((0, 3)), np.zeros((0, 2))
    if board.kind == "chessboard":
        shrink = max(1, -(-max(grey.shape) // _SMALL))  # looked for in a small picture, found in the whole one
        size = (grey.shape[1] // shrink, grey.shape[0] // shrink)
        small = grey if shrink == 1 else cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
        found, px = cv2.findChessboardCorners(
            small, (board.across, board.down), flags=cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
        )
        if not found:
            return none
        by = np.array(grey.shape[::-1]) / np.array(size)
        px = (np.asarray(px, np.float64).reshape(-1, 1, 2) + 0.5) * by - 0.5
        px = np.ascontiguousarray(px, np.float32)
        side = float(
            np.median(np.linalg.norm(np.diff(px[:, 0, :].reshape(board.down, board.across, 2), axis=1), axis=2))
        )
        win = int(np.clip(0.35 * side, 3, 11))
        cv2.cornerSubPix(grey, px, (win, win), (-1, -1), (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-3))
        x, y = np.meshgrid(np.arange(board.across), np.arange(board.down))
        grid = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], 1) * board.square_mm
        return np.asarray(grid, np.float64), px.reshape(-1, 2).astype(np.float64)
    dic = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))
    made = cv2.aruco.CharucoBoard((board.across, board.down), board.square_mm, board.marker_mm, dic)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(made).detectBoard(grey)
    if ids is None or len(ids) < MIN_CORNERS:
        return none
    points = np.asarray(made.getChessboardCorners(), np.float64)[np.ravel(ids)]
    return points, np.asarray(corners, np.float64).reshape(-1, 2)


def calibrate(photos: Sequence[Photo], board: Board, *, name: str = "camera") -> Calibration:
    """Calibrate from several photographs of one board, taken from different directions.

    Raises:
        CalibrationError: pictures of different sizes, or too few that show the board.
    """
    taken = how_taken(photos, name)
    return solve([corners_of(p, board) for p in photos], taken.image_size, taken)


def how_taken(photos: Sequence[Photo], name: str) -> Camera:
    """Which camera took the photographs and how it was set, as far as they agree; without a calibration yet.

    Raises:
        CalibrationError: they are of several cameras, lenses, zooms or focal lengths.
    """
    facts: dict[str, Any] = {}
    for key, of in _TAKEN.items():
        told = {value for p in photos if (value := getattr(p, of)) is not None}
        if len(told) > 1 and key in _MUST_AGREE:
            raise CalibrationError(
                f"the photographs differ in {_MUST_AGREE[key]} ({', '.join(sorted(map(str, told)))}); give pictures of "
                "one camera, one lens and one zoom"
            )
        if len(told) == 1 or (key == "focus" and told and one_focus(photos)):
            facts[key] = min(told)
    if len(sizes := {p.size for p in photos}) > 1:
        raise CalibrationError(
            f"the photographs have different sizes ({', '.join(f'{w} x {h}' for w, h in sorted(sizes))}); "
            "give pictures of one camera at one resolution"
        )
    latest = max((p.captured for p in photos if p.captured), default=None)
    return Camera(np.eye(3), np.zeros(5), photos[0].size, name, calibrated=latest, **facts)


def one_focus(photos: Sequence[Photo]) -> bool:
    """Whether all photographs that tell were focused alike."""
    told = [p.focus for p in photos if p.focus is not None]
    return all(same_focus(told[0], other) for other in told[1:])


def solve(seen: Sequence[tuple[Array, Array]], size: tuple[int, int], taken: Camera) -> Calibration:
    """Calibrate from corners that were found: board points (N, 3) mm and picture points (N, 2) px of each picture,
    empty where the board was not found; ``taken`` says whose they are.

    Raises:
        CalibrationError: too few show the board, or they carry no calibration.
    """
    left_out = [(k, "the board was not found") for k, (a, _) in enumerate(seen) if len(a) == 0]
    used = [k for k, (a, _) in enumerate(seen) if len(a) > 0]
    if len(used) < MIN_PHOTOS:
        raise CalibrationError(
            f"the board was found on {len(used)} of {len(seen)} photographs, {MIN_PHOTOS} are needed; "
            "check the board's size and take it sharp, from different sides"
        )
    obj, img = [seen[k][0] for k in used], [seen[k][1] for k in used]
    solved = _solve(obj, img, size)
    while len(used) > MIN_PHOTOS:  # a photo that contradicts the others (moved, board bent) is left out
        worst = int(np.argmax(solved["rms"]))
        rest = np.delete(solved["rms"], worst)
        if solved["rms"][worst] < max(4 * float(np.median(rest)), 1.5):
            break
        left_out.append((used[worst], f"its residual of {solved['rms'][worst]:.1f} px is far above the others'"))
        for a in (used, obj, img):
            del a[worst]
        solved = _solve(obj, img, size)
    camera = replace(
        taken, matrix=solved["matrix"], distortion=solved["dist"], image_size=size, covariance=solved["cov"]
    )
    tilts = _tilts(solved["rvecs"])
    field = Coverage(size, tuple(View(px, float(t)) for px, t in zip(img, tilts, strict=True)))
    total = float(np.sqrt(np.mean(solved["residuals"] ** 2) * 2))
    words = _words(total, field, camera)
    return Calibration(
        camera, total, tuple(float(v) for v in solved["rms"]), tuple(used), tuple(left_out), field, words
    )


def _solve(obj: list[Array], img: list[Array], size: tuple[int, int]) -> dict[str, Any]:
    import cv2

    flags = 0 if len(obj) >= 10 else cv2.CALIB_FIX_K3
    o = [a.astype(np.float32).reshape(-1, 1, 3) for a in obj]
    i = [a.astype(np.float32).reshape(-1, 1, 2) for a in img]
    try:
        _, matrix, dist, rvecs, tvecs = cv2.calibrateCamera(o, i, size, np.eye(3), np.zeros(5), flags=flags)
    except cv2.error as error:
        raise CalibrationError(_NO_FIT) from error
    if not (np.isfinite(matrix).all() and np.isfinite(dist).all()):
        raise CalibrationError(_NO_FIT)
    dist = np.ravel(dist)[:5]
    free = 9 if flags == 0 else 8
    normal = np.zeros((free, free))
    res, rms, count = [], [], 0
    for a, b, r, t in zip(obj, img, rvecs, tvecs, strict=True):
        px, jac = cv2.projectPoints(a, r, t, matrix, dist)
        e = (b - px.reshape(-1, 2)).ravel()
        je, ji = jac[:, :6], jac[:, 6 : 6 + free]
        c = ji.T @ je
        normal += ji.T @ ji - c @ np.linalg.solve(je.T @ je, c.T)
        res.append(e)
        rms.append(float(np.sqrt(np.mean(e**2) * 2)))
        count += e.size - 6
    residuals = np.concatenate(res)
    s2 = float(residuals @ residuals) / max(count - free, 1)
    cov = np.zeros((9, 9))
    cov[:free, :free] = np.linalg.inv(normal) * s2
    return {
        "matrix": np.asarray(matrix, np.float64),
        "dist": dist.astype(np.float64),
        "cov": cov,
        "rms": np.array(rms),
        "residuals": residuals,
        "rvecs": rvecs,
        "tvecs": tvecs,
    }


def _tilts(rvecs: Sequence[Array]) -> Array:
    import cv2

    return np.array([np.degrees(np.arccos(np.clip(abs(cv2.Rodrigues(r)[0][2, 2]), 0, 1))) for r in rvecs])


def _words(rms: float, field: Coverage, camera: Camera) -> tuple[str, ...]:
    cov = camera.covariance
    u = float(np.sqrt(cov[0, 0])) / float(camera.matrix[0, 0]) if cov is not None else 1.0
    grade = "Good" if u <= 0.002 else "Usable" if u <= 0.005 else "Poor"
    out = [
        f"{grade}: {len(field.views)} photographs, residual {rms:.2f} px, focal length known to {100 * u:.2f} %, "
        f"corners over {100 * field.share:.0f} % of the picture."
    ]
    if rms > max(0.8, _LARGE * max(camera.image_size)):
        out.append("The residual is large: see that the board is flat and the pictures are sharp.")
    out += field.missing()
    off = np.abs(camera.matrix[:2, 2] - (np.array(camera.image_size) - 1) / 2) / max(camera.image_size)
    if off.max() > _OFF_MIDDLE:
        out.append("The lens seems to point far off the middle: see that the pictures were not cropped.")
    if u > 0.005:
        out.append("The focal length is uncertain by more than half a per cent: take more pictures, nearer and tilted.")
    return tuple(out)
