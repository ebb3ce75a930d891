"""Points set by a person: right where they are right, refused where they contradict each other, honest about doubt."""

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.render import World, render, setup_table
from vision import Measurement, Photo, PointsError, Refusal, Setup, measure_at, setup_from_mapping, to_json
from vision.model import Point

WORLD = World(size=(960, 720), height=2.7, elevation=6.0)
PHOTO = Photo(render(WORLD), "0" * 64)
SETUP = setup_from_mapping(setup_table(WORLD))


def truth(world: World = WORLD) -> tuple[Point, list[Point]]:
    """Where tip and rim lie in the picture, exactly: the tip, and seven points of the rim's upper outline."""
    x, y = world.project(np.array([[world.tip_x, world.tip_y, world.height]]))[0]
    angles = np.radians([25, 50, 70, 90, 110, 130, 155])
    r = world.radius - world.edge_break
    ring = world.project(np.stack([r * np.cos(angles), r * np.sin(angles), np.zeros(7)], 1))
    return (float(x), float(y)), [(float(a), float(b)) for a, b in ring]


def must(result: Measurement | Refusal) -> Measurement:
    assert isinstance(result, Measurement), result
    return result


def test_exact_points_give_the_exact_height() -> None:
    tip, rim = truth()
    got = must(measure_at(PHOTO, SETUP, tip=tip, rim=rim))
    assert got.value_mm == pytest.approx(WORLD.height, abs=0.06)
    assert got.assisted
    assert got.points == {"tip": (tip,), "rim": tuple(rim)}
    assert to_json(got)["points"] == {"tip": [list(tip)], "rim": [list(p) for p in rim]}


def test_tip_alone_and_rim_alone() -> None:
    tip, rim = truth()
    for got in (must(measure_at(PHOTO, SETUP, tip=tip)), must(measure_at(PHOTO, SETUP, rim=rim))):
        assert got.assisted
        assert abs(got.value_mm - WORLD.height) <= got.expanded_mm


def test_a_camera_below_the_rim() -> None:
    world = replace(WORLD, elevation=-3.0, height=3.4)
    tip, _ = truth(world)
    angles = np.radians([-155, -130, -110, -90, -70, -50, -25])  # the near half hides the far one
    r = world.radius - world.edge_break
    ring = world.project(np.stack([r * np.cos(angles), r * np.sin(angles), np.zeros(7)], 1))
    setup = setup_from_mapping(setup_table(world))
    got = must(measure_at(Photo(render(world), ""), setup, tip=tip, rim=[tuple(p) for p in ring]))
    assert abs(got.value_mm - world.height) <= got.expanded_mm


def scattered(setup: Setup, *, sigma: float, shown: float, count: int) -> np.ndarray:
    """(error, expanded uncertainty) of clicks that scatter."""
    g = np.random.default_rng(5)
    tip, rim = truth()
    out = []
    for _ in range(count):
        t = tuple(np.array(tip) + g.normal(0, sigma, 2))
        rs = [tuple(np.array(p) + g.normal(0, sigma, 2)) for p in rim[::2]]
        got = measure_at(PHOTO, setup, tip=t, rim=rs, shown=shown)
        if isinstance(got, Measurement):
            out.append((got.value_mm - WORLD.height, got.expanded_mm))
    return np.array(out)


@pytest.mark.parametrize(("sigma", "shown"), [(1.2, 1.0), (4.5, 3.0)])
def test_scattered_clicks_stay_within_what_is_stated(sigma: float, shown: float) -> None:
    got = scattered(SETUP, sigma=sigma, shown=shown, count=10)
    assert len(got) >= 8
    z = got[:, 0] / (got[:, 1] / 2)
    assert float(np.mean(np.abs(z) <= 2)) >= 0.8
    assert float(np.sqrt(np.mean(z**2))) > 0.15, "the uncertainty is not merely large"


def test_a_smaller_picture_makes_it_less_certain() -> None:
    tip, rim = truth()
    sharp, coarse = (must(measure_at(PHOTO, SETUP, tip=tip, rim=rim, shown=s)) for s in (1.0, 4.0))
    assert coarse.expanded_mm > 1.3 * sharp.expanded_mm
    assert coarse.value_mm == sharp.value_mm
    assert [f.id for f in coarse.flags if f.id == "points_coarse"] == ["points_coarse"]
    total = 2 * float(np.sqrt(sum(c.contribution_mm**2 for c in coarse.budget)))
    assert coarse.expanded_mm == pytest.approx(total)


def test_contradicting_points_are_refused() -> None:
    tip, rim = truth()
    slipped = [*rim[:3], (rim[3][0], rim[3][1] - 45), *rim[4:]]
    got = measure_at(PHOTO, SETUP, tip=tip, rim=slipped)
    assert isinstance(got, Refusal)
    assert (got.reason, "Rim point 4" in got.sentence) == ("points_unusable", True)
    near = [(rim[3][0] + 9 * k, rim[3][1]) for k in range(4)]
    got = measure_at(PHOTO, SETUP, tip=tip, rim=near)
    assert isinstance(got, Refusal)
    assert "both ends" in got.sentence
    got = measure_at(PHOTO, SETUP, tip=(tip[0], tip[1] - 260), rim=rim)
    assert isinstance(got, Refusal)
    assert "over the rim" in got.sentence


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ({}, "no point was set"),
        ({"rim": [(100, 100), (300, 100)]}, "at least 3"),
        ({"tip": (float("nan"), 3)}, "outside the picture"),
        ({"tip": (5, 900)}, "outside the picture of 960 x 720"),
        ({"rim": [(100, 100), (300, 100), (300, 101)]}, "points 2 and 3 are the same place"),
        ({"tip": (5, 5), "shown": 0}, "no scale"),
    ],
)
def test_points_that_are_none(points: dict, says: str) -> None:
    with pytest.raises(PointsError, match=says):
        measure_at(PHOTO, SETUP, **points)


def test_the_picture_must_still_carry_the_target() -> None:
    blank = Photo(np.full((720, 960, 3), 140, np.uint8), "")
    tip, rim = truth()
    got = measure_at(blank, SETUP, tip=tip, rim=rim)
    assert isinstance(got, Refusal)
