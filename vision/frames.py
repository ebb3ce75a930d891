"""Which of several frames of one view is the best: sharpest edges, fewest values burnt out or drowned.

Sharpness is the steepness of the steepest edges for the contrast they stand in, so that a brighter frame of the same
view is not taken for a sharper one; it falls as 1 / blur. Gradients are those of a Gaussian of one pixel, so that
noise does not pass for sharpness.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Rgb = npt.NDArray[np.uint8]
_PART = 1600
_STEEPEST = 99.5
_ENOUGH = 60.0


@dataclass(frozen=True)
class Worth:
    """``steepness``: of the steepest edges, share of the contrast a pixel; ``contrast``: grey values between the
    darkest and the brightest hundredth; ``clipped``: share of pixels that are burnt out."""

    steepness: float
    contrast: float
    clipped: float

    @property
    def score(self) -> float:
        """More is better; 0 carries nothing."""
        return self.steepness * min(1.0, self.contrast / _ENOUGH) * max(0.0, 1 - 4 * self.clipped)


def worth(rgb: Rgb) -> Worth:
    """How much a frame (H, W, 3) is worth. Of a large one the middle ``_PART`` pixels are looked at, unshrunk."""
    import cv2

    h, w = rgb.shape[:2]
    top, left = max(0, (h - _PART) // 2), max(0, (w - _PART) // 2)
    part = np.ascontiguousarray(rgb[top : top + _PART, left : left + _PART])
    grey = np.asarray(cv2.cvtColor(part, cv2.COLOR_RGB2GRAY), np.uint8)
    low, high = np.percentile(grey, (1, 99))
    contrast = float(high - low)
    clipped = float(np.mean(grey >= 253))
    if contrast < 2:
        return Worth(0.0, contrast, clipped)
    soft = cv2.GaussianBlur(grey, (0, 0), 1.0)
    dx, dy = cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=1 / 8)
    steep = float(np.percentile(cv2.magnitude(dx, dy), _STEEPEST))
    return Worth(steep / contrast, contrast, clipped)
