"""The case's outline in the classes."""

import numpy as np
import pytest

from vision.outline import _most_probable, rough
from vision.segment import HEIGHT, INSIDE, LAND, MM, OTHER, OUTSIDE, WIDTH, View


def test_the_most_probable_class_is_told_and_of_equals_the_first() -> None:
    prob = np.random.default_rng(1).integers(0, 4, (5, 20, 30)).astype(np.float32)
    assert np.array_equal(_most_probable(prob), prob.argmax(0))


def classes(half: float, rise: float, *, thing: tuple[float, float] | None = None) -> View:
    """A case ``half`` mm wide to each side, its opening ``rise`` mm high to each, and something between two places of
    the opening that belongs to neither."""
    x = (np.arange(WIDTH) - (WIDTH - 1) / 2) * MM
    z = ((HEIGHT - 1) / 2 - np.arange(HEIGHT)[:, None]) * MM
    far = np.hypot(x / half, z / rise)
    label = np.where((np.abs(x) < half) & (z < 0), OUTSIDE, OTHER)
    label[far < 1] = LAND
    label[np.hypot(x / (half - 2), z / (rise - 0.2)) < 1] = INSIDE
    if thing is not None:
        label[(x > thing[0]) & (x < thing[1]) & (z > -0.9 * rise)] = OTHER
    prob = np.stack([label == k for k in range(5)]).astype(np.float32)
    return View(prob, x[0], z[0, 0], -20.0, np.zeros((HEIGHT, WIDTH, 3), np.uint8))


@pytest.mark.parametrize("thing", [None, (-9.0, -6.0), (-2.0, 2.0), (3.0, 7.0), (15.0, 18.0)])
def test_a_thing_in_the_opening_is_not_taken_for_the_case_s_end(thing: tuple[float, float] | None) -> None:
    got = rough(classes(30.0, 2.5, thing=thing))
    assert got is not None
    assert abs(got.middle_x) < 0.3
    assert abs(got.half - 30.0) < 0.3
