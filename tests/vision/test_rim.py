"""What is made of a rim that is seen level, where its outline may be either half of it."""

import cv2
import numpy as np
import pytest

from vision import adjust
from vision.rim import _beside_level, _not_past_level

Y = 1.5


def _unknowns(elevation_deg: float) -> np.ndarray:
    """A rim of the card's own frame, 250 mm away, looked at from so many degrees over it."""
    q = np.zeros(adjust.SIZE)
    turn = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])  # card (x right, y away, z up) to camera (x right, y down)
    q[:3] = cv2.Rodrigues(turn)[0].ravel()
    q[5] = 250.0
    q[adjust.CENTRE] = [0.0, Y, -250.0 * np.tan(np.radians(elevation_deg))]
    q[adjust.BREAK], q[adjust.INNER] = 0.3, 27.0
    assert adjust.elevation(q, Y) == pytest.approx(elevation_deg, abs=0.05)
    return q


def _covariance(tilt_deg: float) -> np.ndarray:
    """The tilt is told so well, and the height of the rim's middle hangs on it as on a rim of 30 mm."""
    root = np.diag([1e-5] * 6 + [0.01] * 3 + [np.radians(tilt_deg), 1e-3, 0.1, 0.1])
    root[8, 9] = -30.0 * np.radians(tilt_deg)
    return np.asarray(root @ root.T)


@pytest.mark.parametrize("elevation", [0.05, -0.05, 0.3, -0.3])
def test_seen_level_the_other_half_of_the_distribution_is_cut_off(elevation: float) -> None:
    """Against as many drawn at random, of which those count that lie on the side that was found."""
    q, cov = _unknowns(elevation), _covariance(0.25)
    mean, left = _not_past_level(q, cov, Y)
    g = np.random.default_rng(5)
    many = g.multivariate_normal(q, cov, 20_000)
    kept = many[[np.sign(adjust.elevation(v, Y)) == np.sign(elevation) for v in many]]
    assert 0.5 < len(kept) / len(many) < 0.95
    spread = np.sqrt(np.diag(cov))
    assert np.allclose((mean - kept.mean(0)) / spread, 0, atol=0.05)
    assert np.allclose(np.cov(kept.T) / np.outer(spread, spread), left / np.outer(spread, spread), atol=0.06)
    assert abs(adjust.elevation(mean, Y)) > abs(elevation)
    assert left[8, 8] < 0.8 * cov[8, 8]


def test_seen_from_well_above_nothing_is_cut_off() -> None:
    q, cov = _unknowns(3.0), _covariance(0.25)
    mean, left = _not_past_level(q, cov, Y)
    assert np.allclose(mean, q, atol=1e-9)
    assert np.allclose(left, cov, rtol=1e-9)


def test_an_outline_is_not_differentiated_where_its_halves_change() -> None:
    for elevation, beside in ((0.01, 0.1), (0.04, 0.1), (-0.04, -0.1), (0.5, 0.5), (-2.0, -2.0)):
        q = _unknowns(elevation)
        assert adjust.elevation(_beside_level(q, Y), Y) == pytest.approx(beside, abs=0.02)
