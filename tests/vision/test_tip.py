"""The tip's edge against what the network tells, and the faint top of a lever that mirrors its background."""

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.render import World, setup_table
from vision import setup_from_mapping
from vision.budget import depth_bias, from_its_side
from vision.tip import _faint_top, _weighed, given


def test_where_edge_and_network_agree_the_edge_decides() -> None:
    higher, share, u = _weighed([(0.0, 1.0)], 0.02, (0.1, 0.25))
    assert 0 < higher < 0.03
    assert share < 0.2
    assert u < 0.1


def test_where_they_contradict_each_other_the_uncertainty_covers_both() -> None:
    higher, _, u = _weighed([(0.0, 1.0)], 0.02, (0.9, 0.1))
    assert higher - 2 * u < 0 < 0.9 < higher + 2 * u


@pytest.mark.parametrize(("told", "taken"), [(0.3, 0.3), (0.25, 0.3), (0.0, 0.0)])
def test_of_two_edges_the_one_that_the_network_tells_is_taken(told: float, taken: float) -> None:
    higher, _, _ = _weighed([(0.0, 0.3), (0.3, 0.7)], 0.02, (told, 0.08))
    assert higher == pytest.approx(taken, abs=0.06)


def _strip(band: float, noise: float) -> np.ndarray:
    """Grey above row 60, ``band`` darker in rows 55 to 60, bright below."""
    rgb = np.full((120, 160, 3), 130.0)
    rgb[55:60] -= band
    rgb[60:] = 230
    return np.clip(rgb + np.random.default_rng(3).normal(0, noise, rgb.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("band", "found"), [(6.0, True), (0.0, False)])
def test_a_faint_top_stands_out_of_the_noise_only_when_there_is_one(band: float, found: bool) -> None:
    edge = np.stack([np.linspace(40, 120, 80), np.full(80, 59.5)], axis=1)
    over = _faint_top(_strip(band, 4.0), edge, np.array([0.0, -1.0]), 12.0)
    assert over == pytest.approx(5.0 if found else 0.0, abs=0.6)


@pytest.mark.parametrize(("width", "slope", "sideways"), [(5.0, 0.02, False), (2.0, 0.02, True), (5.0, -0.4, True)])
def test_a_narrow_or_slanting_end_is_stated_with_more_uncertainty(width: float, slope: float, sideways: bool) -> None:
    setup = setup_from_mapping(setup_table(World()))
    tip = replace(given(np.zeros(2)), width_mm=width, slope=(slope, 0.01))
    assert from_its_side(setup, tip) == sideways
    bias, u = depth_bias(setup, tip, 8.0)
    across, across_u = depth_bias(setup, replace(tip, width_mm=5.0, slope=(0.0, 0.01)), 8.0)
    assert bias == across
    assert u == pytest.approx(across_u * (2 if sideways else 1))
