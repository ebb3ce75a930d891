"""Circles in perspective: the near half is seen lower than the far one by what their distances say."""

import numpy as np
import pytest

from vision.rings import FAR, NEAR, half, heights, upper

FROM_MM, OVER_MM, RADIUS_MM = 150.0, 20.0, 30.0


def ring(over_mm: float = OVER_MM) -> np.ndarray:
    """A level circle seen by a level camera so far over it, straight before it."""
    return np.array([[0, 0, RADIUS_MM], [over_mm, 0, 0], [FROM_MM, -RADIUS_MM, 0]])


def test_both_halves_are_seen_where_their_distances_say() -> None:
    rings, middle = ring()[None], np.zeros(1)
    assert heights(half(rings, NEAR), middle)[0, 0] == pytest.approx(OVER_MM / (FROM_MM - RADIUS_MM))
    assert heights(half(rings, FAR), middle)[0, 0] == pytest.approx(OVER_MM / (FROM_MM + RADIUS_MM))


@pytest.mark.parametrize(("over_mm", "depth_mm"), [(OVER_MM, FROM_MM + RADIUS_MM), (-OVER_MM, FROM_MM - RADIUS_MM)])
def test_from_below_the_near_half_is_the_upper_outline(over_mm: float, depth_mm: float) -> None:
    assert upper(ring(over_mm)[None], np.zeros(1))[0, 0] == pytest.approx(over_mm / depth_mm)


def test_many_lines_are_read_as_each_of_them_is_and_level_beyond_their_ends() -> None:
    g = np.random.default_rng(1)
    lines = g.normal(0, 3, (7, 2, 40))
    lines[:, 0].sort(axis=1)
    x = g.uniform(-15, 15, 100)
    alone = np.array([np.interp(x, *line) for line in lines])
    assert np.abs(heights(lines, x) - alone).max() < 1e-9
