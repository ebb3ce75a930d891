"""Rays and projections of a calibrated camera (pinhole with radial and tangential distortion)."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from vision.model import Array, Camera


def undistort(points: Array, camera: Camera) -> Array:
    """Picture points (N, 2) in pixels to normalised coordinates (N, 2): where the ray meets depth 1."""
    import cv2

    if len(points) == 0:
        return np.zeros((0, 2))
    crit = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-10)
    pts = np.asarray(points, np.float64).reshape(-1, 1, 2)
    return np.asarray(cv2.undistortPoints(pts, camera.matrix, camera.distortion, criteria=crit), np.float64).reshape(
        -1, 2
    )


def distort(normalised: Array, camera: Camera) -> Array:
    """Normalised coordinates (N, 2) to picture points (N, 2) in pixels."""
    x, y = normalised[:, 0], normalised[:, 1]
    k1, k2, p1, p2, k3 = (*camera.distortion.ravel()[:5], 0, 0, 0, 0, 0)[:5]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    m = camera.matrix
    return np.stack([m[0, 0] * xd + m[0, 1] * yd + m[0, 2], m[1, 1] * yd + m[1, 2]], axis=1)


def rotation(rvec: Array) -> Array:
    """Rotation matrix (3, 3) of a rotation vector (3,), by Rodrigues' formula."""
    return _rotation(*rvec.tolist())


@lru_cache(maxsize=32)
def _rotation(x: float, y: float, z: float) -> Array:
    a = math.sqrt(x * x + y * y + z * z)
    x, y, z, s, c = (x / a, y / a, z / a, math.sin(a), math.cos(a)) if a > 1e-12 else (0.0, 0.0, 0.0, 0.0, 1.0)
    t = 1 - c
    turn = np.array(
        [
            [c + t * x * x, t * x * y - s * z, t * x * z + s * y],
            [t * x * y + s * z, c + t * y * y, t * y * z - s * x],
            [t * x * z - s * y, t * y * z + s * x, c + t * z * z],
        ]
    )
    turn.setflags(write=False)  # it is given to all who ask
    return turn


def rotations(rvecs: Array) -> Array:
    """The same of several (B, 3): (B, 3, 3)."""
    return np.stack([rotation(one) for one in rvecs])


def project(points: Array, pose: Array, camera: Camera) -> Array:
    """Card-frame points (N, 3) through ``pose`` (rotation vector, translation; (6,)) to pixels (N, 2)."""
    return distort(to_normalised(points, pose), camera)


def to_normalised(points: Array, pose: Array) -> Array:
    """Card-frame points (N, 3) through ``pose`` (6,) to normalised coordinates (N, 2)."""
    x, y, z = rotation(pose[:3]) @ points.T + pose[3:, None]
    return np.array([x / z, y / z]).T


def project_each(points: Array, poses: Array, camera: Camera) -> Array:
    """Card-frame points (B, N, 3), each row through its own of ``poses`` (B, 6), to pixels (B, N, 2)."""
    at = points @ rotations(poses[:, :3]).transpose(0, 2, 1) + poses[:, None, 3:]
    return distort((at[..., :2] / at[..., 2:3]).reshape(-1, 2), camera).reshape(*points.shape[:2], 2)


def rays(normalised: Array, pose: Array) -> tuple[Array, Array]:
    """Camera centre (3,) and directions (N, 3) in the card frame of normalised image points (N, 2)."""
    r = rotation(pose[:3])
    d = np.concatenate([normalised, np.ones((len(normalised), 1))], axis=1) @ r
    return np.asarray(-r.T @ pose[3:]), np.asarray(d)
