"""The tip's edge beside what the networks tell, and the faint top of a lever that mirrors its background."""

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.render import World, setup_table
from vision import setup_from_mapping
from vision.budget import depth_bias
from vision.closer import Place
from vision.tip import _LEAST_MM, _MORE, _faint_top, _running_median, _weighed, given

STEP = (np.arange(96) - 47.5) * 0.08


def _told(*places: tuple[float, float, float]) -> Place:
    """A network's word: places (mm), how far each is spread, and how probable each is."""
    prob = sum(w * np.exp(-0.5 * ((STEP - at) / spread) ** 2) / spread for at, spread, w in places)
    return Place(np.zeros(2), STEP, np.asarray(prob / np.sum(prob)))


def test_where_edge_and_network_agree_the_edge_decides() -> None:
    higher, u = _weighed([(0.0, 1.0)], 0.02, 0.0, _told((0.1, 0.25, 1.0)))
    assert 0 < higher < 0.05
    assert u < _MORE * 0.25  # what the network's word alone, so taken, would leave


def test_what_the_network_is_sure_of_is_not_made_doubtful_by_its_rows() -> None:
    """A place between two rows is told as both, half and half: that is a place, not a doubt."""
    sure = Place(np.zeros(2), STEP, np.isin(np.arange(96), [47, 48]) / 2)
    higher, u = _weighed([(0.0, 1.0)], 0.02, 0.0, sure)
    assert higher == pytest.approx(0.0, abs=0.01)
    assert u < 1.5 * _LEAST_MM
    _, wider = _weighed([(0.0, 1.0)], 0.02, 0.0, Place(np.zeros(2), STEP, np.isin(np.arange(96), range(44, 52)) / 8))
    assert wider > 5 * u


def test_an_edge_makes_the_network_surer_where_it_is_and_not_elsewhere() -> None:
    alone = _told((0.0, 0.15, 1.0))
    agreed, elsewhere, nowhere = (_weighed([(at, 1.0)], 0.02, 0.0, alone)[1] for at in (0.0, 0.6, 3.0))
    assert agreed < nowhere - 0.003
    assert elsewhere > 1.05 * agreed


def test_where_they_contradict_each_other_the_network_is_taken_for_what_it_is_worth() -> None:
    higher, u = _weighed([(0.0, 1.0)], 0.02, 0.0, _told((0.9, 0.1, 1.0)))
    assert higher == pytest.approx(0.9, abs=0.05)
    doubtful, wide = _weighed([(0.0, 1.0)], 0.02, 0.0, _told((0.9, 0.1, 0.5), (0.0, 0.3, 0.5)))
    assert wide > 2 * u
    assert doubtful - 2 * wide < 0 < 0.9 < doubtful + 2 * wide


@pytest.mark.parametrize("spread", [0.1, 0.3])
def test_a_network_that_the_edge_contradicts_is_believed_less_than_alone(spread: float) -> None:
    higher, u = _weighed([(0.5, 1.0)], 0.02, 0.0, _told((-0.4, spread, 1.0)))
    assert higher == pytest.approx(-0.4, abs=0.08)
    assert 1.96 * spread < 2 * u < 2 * 1.96 * spread


def test_seen_from_above_the_highest_point_lies_below_the_edge() -> None:
    flat, steep = (_weighed([(0.0, 1.0)], 0.02, rise, _told((-0.05, 0.2, 1.0))) for rise in (0.0, 0.2))
    assert steep[0] < flat[0] - 0.02


@pytest.mark.parametrize(("told", "taken"), [(0.3, 0.3), (0.25, 0.3), (0.0, 0.0)])
def test_of_two_edges_the_one_that_the_network_tells_is_taken(told: float, taken: float) -> None:
    higher, _ = _weighed([(0.0, 0.3), (0.3, 0.7)], 0.02, 0.0, _told((told, 0.1, 1.0)))
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


def test_what_a_person_pointed_at_may_be_behind_the_tip_and_what_was_found_is_weighed_already() -> None:
    setup, tip = setup_from_mapping(setup_table(World())), given(np.zeros(2))
    bias, u = depth_bias(setup, tip, 8.0)
    assert 0 < bias < u < np.tan(np.radians(8)) * setup.geometry.lever_width_mm / 2
    assert depth_bias(setup, tip, 0.0) == (0, 0)
    assert depth_bias(setup, replace(tip, told=True), 8.0) == (0, 0)


@pytest.mark.parametrize("count", [1, 2, 5, 40])
@pytest.mark.parametrize("half", [1, 4])
def test_a_running_median_is_that_of_as_many_as_there_are(count: int, half: int) -> None:
    x = np.random.default_rng(3).normal(0, 1, (count, 3))
    slow = [np.median(x[max(0, k - half) : k + half + 1], axis=0) for k in range(count)]
    assert np.array_equal(_running_median(x, half), slow)
