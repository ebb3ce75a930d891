"""Frames of one view: which is best, what they say together."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.vision.render import World, render, setup_table
from vision import Measurement, Photo, Refusal, burst_json, measure_burst, setup_from_mapping
from vision.burst import _STUDENT_95, combine, mean_uncertainty
from vision.frames import worth
from vision.model import Component, Pixels

WORLD = World(height=3.2)
SETUP = setup_from_mapping(setup_table(WORLD))


def frame(seed: int, **more: object) -> Photo:
    return Photo(render(replace(WORLD, seed=seed, **more)), f"{seed:064x}")


def said(value: float, expanded: float = 0.2) -> Measurement:
    row = Component("all", None, "mm", expanded / 2, 1.0, expanded / 2)
    return Measurement(value, expanded, 2.0, None, None, (), (row,), Pixels(), 0.1)


def test_sharpness_falls_with_blur_and_not_with_light() -> None:
    rgb = render(replace(WORLD, noise=1.0, blur=0.6))
    steep = [worth(cv2.GaussianBlur(rgb, (0, 0), s)).steepness for s in (0.5, 1.0, 2.0, 4.0)]
    assert steep[0] == pytest.approx(steep[1], rel=0.05)  # both below the smoothing
    assert steep[1] > steep[2] > steep[3]
    assert steep[2] / steep[3] == pytest.approx(2.0, rel=0.35)  # 1 / blur once it is larger than the smoothing
    dim = worth((rgb * 0.6).astype(np.uint8)).steepness
    assert dim == pytest.approx(worth(rgb).steepness, rel=0.1)


def test_burnt_out_and_empty_frames_are_worth_little() -> None:
    rgb = render(replace(WORLD, noise=1.0))
    burnt = np.clip(rgb.astype(int) * 2, 0, 255).astype(np.uint8)
    assert worth(burnt).score < 0.5 * worth(rgb).score
    assert worth(np.full_like(rgb, 128)).score == 0


def test_students_factors_are_those_of_the_distribution() -> None:
    """JCGM 100:2008, table G.2, against scipy's distribution."""
    stats = pytest.importorskip("scipy.stats")
    for dof, t in enumerate(_STUDENT_95, 1):
        assert t == pytest.approx(float(stats.t.ppf(0.975, dof)), abs=0.006)


def test_the_mean_of_few_covers_as_often_as_stated() -> None:
    g = np.random.default_rng(3)
    for n in (2, 4, 8):
        runs = g.normal(0, 1, (4000, n))
        inside = np.mean([abs(r.mean()) <= 2 * mean_uncertainty(r) for r in runs])
        assert inside == pytest.approx(0.95, abs=0.015)


def test_scatter_is_a_row_of_the_budget() -> None:
    got = combine([said(v) for v in (2.00, 2.02, 2.04, 1.98, 1.96)]).result
    assert isinstance(got, Measurement)
    assert got.value_mm == pytest.approx(2.0)
    row = got.budget[-1]
    assert row.source == "scatter of 5 frames"
    s = float(np.std([2.00, 2.02, 2.04, 1.98, 1.96], ddof=1))
    assert row.u == pytest.approx(s / 5**0.5 * 2.78 / 2)
    assert got.expanded_mm == pytest.approx(2 * (0.1**2 + row.u**2) ** 0.5)
    assert got.pose["frames"] == 5


def test_one_wrong_frame_is_left_out_and_said() -> None:
    burst = combine([said(v) for v in (2.00, 2.02, 2.9, 1.98)])
    got = burst.result
    assert isinstance(got, Measurement)
    assert got.value_mm == pytest.approx(2.0)
    assert [f.id for f in got.flags] == ["frames_left_out"]
    assert "1 of 4" in got.flags[0].sentence
    assert len(burst_json(burst)["frames"]) == 4


def test_frames_that_disagree_are_refused() -> None:
    got = combine([said(v) for v in (1.0, 1.5, 2.0, 2.5)]).result
    assert isinstance(got, Refusal)
    assert (got.reason, "1.50" in got.sentence) == ("frames_disagree", True)


def test_the_commonest_refusal_is_the_burst_s() -> None:
    no = Refusal("blurred", "It is blurred. Take it again.")
    burst = combine([no, said(2.0), Refusal("dark", "Dark. More light."), no])
    assert burst.result is no
    assert burst.shown == 0


def test_a_single_frame_is_itself() -> None:
    one = said(2.0)
    assert combine([one]).result is one


def test_rendered_frames() -> None:
    """Frames whose noise differs; then one of them refused."""
    burst = measure_burst((frame(k) for k in range(3)), SETUP)
    got = burst.result
    assert isinstance(got, Measurement)
    assert abs(got.value_mm - WORLD.height) <= 1.5 * got.expanded_mm  # k = 3: one in 370 lies outside
    assert got.budget[-1].u > 0
    assert got.photo_sha256 == f"{burst.shown:064x}"
    mixed = combine([*burst.frames, Refusal("blurred", "It is blurred. Take it again.")]).result
    assert isinstance(mixed, Measurement)
    assert mixed.value_mm == pytest.approx(got.value_mm)
    assert "frames_left_out" in {f.id for f in mixed.flags}
