"""Pictures of a printed board, projected from known poses with a known lens."""

from __future__ import annotations

import cv2
import numpy as np

from vision import Board

BOARD = Board(7, 5, 30.0, "charuco", 22.0, "DICT_5X5_100")
SIZE = (960, 720)
MATRIX = np.array([[1050.0, 0, 470], [0, 1050, 365], [0, 0, 1]])
_PX = 6.0  # of the drawn board, per mm


def drawn() -> np.ndarray:
    made = cv2.aruco.CharucoBoard(
        (BOARD.across, BOARD.down),
        BOARD.square_mm,
        BOARD.marker_mm,
        cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, BOARD.dictionary)),
    )
    return made.generateImage((int(BOARD.across * BOARD.square_mm * _PX), int(BOARD.down * BOARD.square_mm * _PX)))


def picture(x: float, y: float, z: float, tilt: tuple[float, float], seed: int = 0) -> np.ndarray:
    """The board with its middle at x, y, z (mm), turned about the picture's x and y (degrees): (H, W, 3) uint8."""
    rot = cv2.Rodrigues(np.radians([tilt[0], 0, 0]))[0] @ cv2.Rodrigues(np.radians([0, tilt[1], 0]))[0]
    half = np.array([BOARD.across, BOARD.down]) * BOARD.square_mm / 2
    # a pixel of the drawing to a point of the board (its pixel centres lie at half pixels), then through the lens
    to_board = np.array([[1 / _PX, 0, 0.5 / _PX - half[0]], [0, 1 / _PX, 0.5 / _PX - half[1]], [0, 0, 1]])
    pose = np.stack([rot[:, 0], rot[:, 1], np.array([x, y, z])], 1)
    h = MATRIX @ pose @ to_board
    out = cv2.warpPerspective(drawn(), h, SIZE, flags=cv2.INTER_AREA, borderValue=150)
    noisy = cv2.GaussianBlur(out, (0, 0), 0.7) + np.random.default_rng(seed).normal(0, 2, out.shape)
    return np.repeat(np.clip(noisy, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


POSES = [
    (-70, -45, 420, (0, 0)),
    (70, -45, 420, (25, 5)),
    (-70, 45, 430, (-30, 0)),
    (70, 45, 430, (5, 30)),
    (0, 0, 380, (0, -35)),
    (-60, 0, 400, (20, 25)),
    (60, 0, 400, (-20, -25)),
    (0, -50, 410, (35, 0)),
    (0, 50, 410, (-15, 20)),
    (-85, -60, 480, (10, -10)),
    (85, 60, 480, (-10, 15)),
    (85, -60, 470, (20, -20)),
]
