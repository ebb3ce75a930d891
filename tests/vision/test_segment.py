"""The view of the lever's plane: where its pixels lie in the picture."""

import numpy as np

from vision.segment import HEIGHT, WIDTH, _spread


def test_a_coarse_grid_of_places_is_spread_over_the_whole_view() -> None:
    g = np.random.default_rng(1)
    grid = g.uniform(0, 4000, (21, 35)).astype(np.float32)
    rows = np.array([np.interp(np.linspace(0, 34, WIDTH), np.arange(35), row) for row in grid])
    whole = np.array([np.interp(np.linspace(0, 20, HEIGHT), np.arange(21), column) for column in rows.T]).T
    assert np.abs(_spread(grid) - whole).max() < 1e-3
