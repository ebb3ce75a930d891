"""The networks that look closely: what they tell follows the picture, not where they were told to look."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

from tests.vision.render import World, render, setup_table
from vision import Photo, adjust, closer, markers, outline, rim, segment, setup_from_mapping
from vision.optics import project
from vision.pose import fit_pose

WORLD = World(height=3.0, elevation=6.0)


@pytest.fixture(scope="module")
def fitted() -> tuple[Photo, rim.Rim, float]:
    photo, setup = Photo(render(WORLD), ""), setup_from_mapping(setup_table(WORLD))
    seen = markers.find(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), setup.target, setup.camera)
    assert seen is not None
    pose = fit_pose(seen, setup.camera)
    assert pose is not None
    y = -setup.target.depth_offset_mm
    view = segment.look(photo.rgb, pose.vector, setup.camera, y, (0.0, 0.0))
    rough = outline.rough(view)
    assert rough is not None
    found = rim.fit(photo.rgb, pose, view, rough, setup.geometry, setup.camera)
    assert found is not None
    return photo, found, y


@pytest.mark.parametrize("wrong", [-0.5, 0.5])
def test_the_edge_is_found_from_beside_it(fitted: tuple[Photo, rim.Rim, float], wrong: float) -> None:
    photo, found, y = fitted
    e = adjust.elevation(found.q, y)
    right = closer.follow(photo.rgb, found.q, found.problem, y, e, False)
    q = found.q.copy()
    q[8] += wrong
    beside = closer.follow(photo.rgb, q, found.problem, y, e, False)
    moved = np.median(beside.off_mm) - np.median(right.off_mm)
    assert moved == pytest.approx(-wrong, abs=0.12)
    assert np.median(np.abs(beside.image - right.image)) < 1.0
    assert beside.image.shape == (128, 2)


def test_a_strip_without_an_edge_is_told_with_a_wide_spread(fitted: tuple[Photo, rim.Rim, float]) -> None:
    photo, found, y = fitted
    e = adjust.elevation(found.q, y)
    blank = np.full_like(photo.rgb, 120)
    nothing = closer.follow(blank, found.q, found.problem, y, e, False)
    told = closer.follow(photo.rgb, found.q, found.problem, y, e, False)
    assert np.median(nothing.spread_mm) > 3 * np.median(told.spread_mm)


@pytest.mark.parametrize(("rows", "doubt"), [((20, 21), 0.0), ((20,), 0.0), ((20, 22), 0.06), ((20, 24), 0.12)])
def test_a_place_between_two_rows_of_a_strip_is_no_doubt(
    fitted: tuple[Photo, rim.Rim, float], rows: tuple[int, ...], doubt: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo, found, y = fitted
    score = np.full((48, 128), -40.0)
    score[list(rows)] = 0.0  # equally probable, and nothing else
    monkeypatch.setattr(closer, "_run", lambda name, channels: score)
    course = closer.follow(photo.rgb, found.q, found.problem, y, adjust.elevation(found.q, y), False)
    assert course.off_mm == pytest.approx((23.5 - np.mean(rows)) * 0.06)
    assert course.spread_mm == pytest.approx(doubt, abs=1e-6)


def test_the_tip_is_told_near_the_truth(fitted: tuple[Photo, rim.Rim, float]) -> None:
    photo, found, y = fitted
    true = WORLD.project(np.array([[WORLD.tip_x, WORLD.tip_y, WORLD.height]]))[0]
    e = adjust.elevation(found.q, y)
    place = closer.pinpoint(photo.rgb, found.q, found.problem, y, e, true + np.array([3.0, 4.0]))
    assert abs(float((place.image - true)[1])) / found.scale < 0.3
    assert place.prob.sum() == pytest.approx(1)
    sought = -float((place.image - (true + np.array([3.0, 4.0])))[1]) / found.scale
    assert float(place.prob @ place.heights_mm) == pytest.approx(sought, abs=0.05)


def test_a_window_and_its_mirror_image_are_told_alike(fitted: tuple[Photo, rim.Rim, float]) -> None:
    photo, found, y = fitted
    curve, e = closer.outline_in_plane(found.q, found.problem, y, False), adjust.elevation(found.q, y)
    at = np.array([WORLD.tip_x + 0.7, curve[:, 1].max() + WORLD.height - 0.5])
    channels = closer.tip_windows(photo.rgb, found.q, found.problem, y, at, curve, e)
    told = closer._tip_shares(channels)
    assert np.allclose(closer._tip_shares([c[:, ::-1] for c in channels]), told[:, ::-1], atol=1e-9)
    alone = [closer._shares(closer._run("tip", some)) for some in (channels, [c[:, ::-1] for c in channels])]
    assert not np.allclose(alone[1][:, ::-1], alone[0], atol=1e-3)  # by itself the network tells them apart
    assert told.sum() == pytest.approx(1)


@pytest.mark.parametrize("side", [-1, 1])
def test_a_side_is_told_where_it_is_however_far_from_there_it_is_sought(
    fitted: tuple[Photo, rim.Rim, float], side: int
) -> None:
    photo, found, y = fitted
    e = adjust.elevation(found.q, y)
    places = []
    for wrong in (-2.0, 0.0, 2.0):
        q = found.q.copy()
        q[6] += wrong
        at, prob = closer.beside(photo.rgb, q, found.problem, y, e, side)
        places.append(float(at @ prob) + side * wrong)
    assert np.ptp(places) < 0.15
    assert abs(places[1]) < 0.15


@pytest.mark.parametrize("side", [-1, 1])
def test_training_cuts_a_side_as_measuring_does(
    fitted: tuple[Photo, rim.Rim, float], side: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    torch = pytest.importorskip("torch")
    monkeypatch.syspath_prepend(str(Path(closer.__file__).parent / "training"))
    import crops  # type: ignore[import-not-found]

    photo, found, y = fitted
    asked: list[list[np.ndarray]] = []
    score = np.zeros((128, 1))
    monkeypatch.setattr(closer, "_run", lambda _, channels: asked.append(channels) or score)
    closer.beside(photo.rgb, found.q, found.problem, y, 6.0, side)
    x, z = closer.side_strip(found.q, found.problem, y, side)
    heights = np.array([0.0, -crops.DOWN])
    ends = [adjust.side_line(found.q, found.problem, k, heights) for k in (-1, 1)]
    flat = [closer.in_plane(project(v, found.q[:6], found.problem.camera), found.q, found.problem, y) for v in ends]
    batch = SimpleNamespace(
        top=torch.zeros(1),
        elevation=torch.full((1,), 6.0),
        sides=torch.tensor(np.array(flat))[None],
        classes=lambda x, z: torch.ones_like(x),
    )
    raster = SimpleNamespace(at=lambda x, z: (torch.stack([x, z, z], 1), torch.ones_like(x)[:, None]))
    monkeypatch.setattr(torch, "rand", lambda *size, **_: torch.full(size, 0.5))
    cut, row, seen = crops.side(batch, raster, side > 0)
    assert np.abs(cut[0, 0].numpy() - x).max() < 0.001
    assert np.abs(cut[0, 1].numpy() - z).max() < 0.001
    assert np.abs(cut[0, 3:].numpy() - np.array(asked[0][3:])).max() < 1e-6
    assert float(row[0]) == 63.5
    assert bool(seen[0])


def test_training_cuts_a_window_as_measuring_does(
    fitted: tuple[Photo, rim.Rim, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    torch = pytest.importorskip("torch")
    monkeypatch.syspath_prepend(str(Path(closer.__file__).parent / "training"))
    import crops

    photo, found, y = fitted
    asked: list[list[np.ndarray]] = []
    monkeypatch.setattr(closer, "_run", lambda _, channels: asked.append(channels) or np.zeros((96, 96)))
    monkeypatch.setattr(closer, "_colours", lambda _, px, __: [px[..., 0], px[..., 1], px[..., 1]])
    at = np.array([1.0, 2.0])
    start = closer._seen_at(at[:1], at[1:], found.q, found.problem, y)[0]
    closer.pinpoint(photo.rgb, found.q, found.problem, y, 6.0, start)
    curve = closer.outline_in_plane(found.q, found.problem, y, False)

    def seen(x: Any, z: Any) -> tuple[Any, Any]:
        px = closer._seen_at(x[0].numpy(), z[0].numpy(), found.q, found.problem, y)
        both = torch.tensor(px.transpose(2, 0, 1)[None], dtype=torch.float32)
        return both[:, [0, 1, 1]], torch.ones_like(x)[:, None]

    point = torch.tensor(at[None], dtype=torch.float32)
    batch = SimpleNamespace(
        top=torch.zeros(1),
        elevation=torch.full((1,), 6.0),
        tip=point,
        apex=point,
        seen=torch.ones(1) * 9,
        curve=lambda _, x: torch.tensor(np.interp(x.numpy(), curve[:, 0], curve[:, 1]), dtype=torch.float32),
        classes=lambda x, z: torch.ones_like(x),
    )
    monkeypatch.setattr(torch, "rand", lambda *size, **_: torch.full(size, 0.5))
    monkeypatch.setattr(torch, "randn", lambda *size, **_: torch.zeros(size))
    cut, aim = crops.window(batch, SimpleNamespace(at=seen))
    assert [len(channels) for channels in asked] == [10, 10]  # as it is, and its mirror image
    assert np.abs(cut[0].numpy() - np.array(asked[0])).max() < 0.01
    assert aim.place[0].tolist() == pytest.approx([47.5, 47.5], abs=1e-4)
    assert aim.apex[0].tolist() == pytest.approx([47.5, 47.5], abs=1e-4)
    assert bool(aim.ok[0])


def test_photographs_are_cut_with_the_truth_where_it_is(
    fitted: tuple[Photo, rim.Rim, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the networks, which know nothing of the cut, see in it lies where the cut has the truth."""
    pytest.importorskip("torch")
    monkeypatch.syspath_prepend(str(Path(closer.__file__).parent / "training"))
    import photographs  # type: ignore[import-not-found]

    photo, found, y = fitted
    tip = WORLD.project(np.array([[WORLD.tip_x, WORLD.tip_y, WORLD.height]]))[0]
    shot = photographs.Shot(photo.rgb, found.q, found.q, found.problem, y, tip, True)
    g = np.random.default_rng(4)
    rows, tips = [], []
    for _ in range(4):
        q = shot.disturbed(g, photographs._RIM_SPREAD)
        for near in (False, True):
            channels, row = photographs.strip(shot, q, near)
            score = closer._run("edge", list(channels))
            prob = np.exp(score - score.max(0))
            told = np.arange(48) @ (prob / prob.sum(0))
            rows.append([np.nanmedian(told - row), row[np.isfinite(row)].mean()])
        shift = np.array([g.uniform(-1.8, 1.8), g.normal(0, 0.6)])
        channels, (down, across) = photographs.window(shot, q, shift)
        share = closer._shares(closer._run("tip", list(channels)))
        tips.append([np.arange(96) @ share.sum(1) - down, across])
    off, where = np.array(rows).T
    assert np.abs(off).max() < 1.2
    assert np.ptp(where) > 4
    assert np.ptp([across for _, across in tips]) > 10
    assert max(abs(off) for off, _ in tips) < 2.5  # along a level top the place across is free
