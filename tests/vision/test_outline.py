"""The case's outline in the classes."""

import numpy as np

from vision.outline import _most_probable


def test_the_most_probable_class_is_told_and_of_equals_the_first() -> None:
    prob = np.random.default_rng(1).integers(0, 4, (5, 20, 30)).astype(np.float32)
    assert np.array_equal(_most_probable(prob), prob.argmax(0))
