"""Circles in perspective: how high their near and far halves are seen at a given x, for many of them at once.

``rings`` (B, 3, 3) are circles as they are seen: each takes 1, cosine and sine of the angle on the circle (from where
the camera stands, to the right) to x, y and depth.
"""

from __future__ import annotations

import numpy as np

from vision.model import Array

_ANGLES = np.radians(np.linspace(-78, 78, 121))
"""How far to either side of its middle a half is followed."""
_ONE, _COS, _SIN = np.ones(len(_ANGLES)), np.cos(_ANGLES), np.sin(_ANGLES)
NEAR, FAR = np.stack([_ONE, _COS, _SIN]), np.stack([_ONE, -_COS, _SIN])
"""Both halves, from left to right."""


def half(rings: Array, which: Array) -> Array:
    """The ``NEAR`` or ``FAR`` halves of circles: x and y (B, 2, 121), x ascending."""
    at = rings @ which
    return np.asarray(at[:, :2] / at[:, 2:])


def heights(lines: Array, x: Array) -> Array:
    """Heights y (B, N) of lines (B, 2, M) at ``x`` (N,); beyond its ends a line goes on level.

    All lines are joined to one, far enough apart: one interpolation is much quicker than many.
    """
    far = 2 * max(float(np.abs(lines[:, 0]).max()), float(np.abs(x).max()))
    shift = 3 * far * np.arange(len(lines))[:, None]
    ends = np.full((len(lines), 1), far)
    along = np.concatenate([-ends, lines[:, 0], ends], axis=1) + shift
    up = np.concatenate([lines[:, 1, :1], lines[:, 1], lines[:, 1, -1:]], axis=1)
    return np.asarray(np.interp((x + shift).ravel(), along.ravel(), up.ravel()).reshape(len(lines), len(x)))


def upper(rings: Array, x: Array) -> Array:
    """Heights y (B, N; down) of circles' upper outlines at ``x`` (N,)."""
    return np.asarray(np.minimum(heights(half(rings, NEAR), x), heights(half(rings, FAR), x)))
