"""What the eyes are trained with: the views that are drawn, and what is said to be true in them."""

from __future__ import annotations

import importlib
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from vision import closer

FOLDER = Path(closer.__file__).parent / "training"
SEEDS = (3, 5, 8, 13)
LEVER, CASE = 4, (1, 2, 3)


@pytest.fixture
def samples(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(FOLDER))
    return importlib.import_module("samples")


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(FOLDER))
        scenes = importlib.import_module("scenes")
        return Path(scenes.compile_tracer(tmp_path_factory.mktemp("tracer")))


def shown(s: Any) -> np.ndarray:
    """The classes (H, W) of a view with what is round it, as fine as its middle."""
    if not s.around:
        return np.asarray(s.label)
    whole = np.kron(s.around_label, np.ones((s.around, s.around), np.uint8))
    h, w = s.label.shape
    i, j = (s.around - 1) * h // 2, (s.around - 1) * w // 2
    whole[i : i + h, j : j + w] = s.label
    return np.asarray(whole)


def at(s: Any, x: float, z: float) -> tuple[float, float]:
    """Row and column of a place of the lever's plane, as the samples' own words have it."""
    return (s.top - z) / s.pitch, (x - s.middle) / s.pitch + (max(s.around, 1) * s.label.shape[1] - 1) / 2


@pytest.mark.parametrize("name", ["whole", "classes", "rim", "tip"])
def test_every_kind_of_view_shows_the_truth_where_it_says(
    samples: ModuleType, library: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = samples.FRAMES[name]
    coarse = replace(full, pitch=3 * full.pitch, wide=full.wide // 3, high=full.high // 3, rays=1)
    monkeypatch.setattr(samples, "FRAME", coarse)
    tracer = samples.Tracer(library)
    tips, edges, agree = 0, 0, 0
    for seed in SEEDS:
        s = samples.render(tracer, seed)
        assert s is not None
        label = shown(s)
        high, wide = label.shape
        assert s.rgb.shape == (3, coarse.high, coarse.wide)
        assert s.around_rgb.shape[1:] == s.around_label.shape
        assert abs(s.tip[0] - s.middle) <= 0.2 or not coarse.around
        row, column = at(s, *s.tip)
        assert 10 < row < high - 10
        if s.seen >= 5:
            tips += 1
            k, c = round(row), round(column)
            assert (label[k : k + 4, c - 3 : c + 4] == LEVER).any(), seed
            assert not (label[k - 6 : k - 2, c - 3 : c + 4] == LEVER).any(), seed
        for x, z in zip(samples.GRID[::8], s.outer[::8], strict=True):
            k, c = at(s, x, z) if np.isfinite(z) else (-1, -1)
            if 6 < k < high - 6 and 0 < c < wide - 1:
                over, under = (label[round(k + d), round(c)] for d in (-2.5, 2.5))
                edges, agree = edges + 1, agree + (over not in CASE and under in (*CASE, LEVER))
    assert tips >= 2
    assert edges > 60
    assert agree > 0.8 * edges


def test_what_is_round_the_tip_is_seen_where_the_tip_s_view_has_it(
    samples: ModuleType, library: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = samples.FRAMES["tip"]
    coarse = replace(full, pitch=3 * full.pitch, wide=full.wide // 3, high=full.high // 3, rays=1)
    monkeypatch.setattr(samples, "FRAME", coarse)
    tracer, n = samples.Tracer(library), coarse.wide // 3
    some = [samples.render(tracer, seed) for seed in SEEDS]
    for s in some:
        same = s.around_label[n : 2 * n, n : 2 * n] == s.label[1::3, 1::3]
        assert same.mean() > 0.97
        moved = s.around_label[n - 2 : 2 * n - 2, n : 2 * n] == s.label[1::3, 1::3]
        assert moved.mean() < same.mean()
    torch = pytest.importorskip("torch")
    crops = importlib.import_module("crops")
    data, index = crops.Batch.of(some, "cpu"), torch.arange(len(some))
    one, mirrored = data.pick(index, False), data.pick(index, True)
    for k, s in enumerate(some):
        assert (one.label[k].numpy() == shown(s)).all()
        assert (mirrored.label[k].numpy() == shown(s)[:, ::-1]).all()
    assert one.rgb.shape[2:] == one.label.shape[1:]
    assert one.pick(index, False).rgb.shape == one.rgb.shape, "what was set in is not set in again"


def test_a_picture_without_a_whole_marker_is_not_one_to_be_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(FOLDER))
    pictures, scenes = (importlib.import_module(k) for k in ("pictures", "scenes"))
    for seed in SEEDS:
        d = scenes.draw(seed, hard=1.0, size=(1280, 960))
        assert pictures.framed(d)
        first = min(px[:, 0].min() for px in pictures.marker_corners(d))
        last = max(px[:, 0].max() for px in pictures.marker_corners(d))
        d.scene.cx += 1280 - last + 1  # the rightmost marker is cut off by a pixel, all others stand in the picture
        assert pictures.framed(d) == (len(d.markers) > 1)
        d.scene.cx += last - first
        assert not pictures.framed(d)


def test_the_bounds_of_what_is_traced_finely_do_not_tell_where_edges_are(samples: ModuleType, library: Path) -> None:
    cv2, scenes, pictures = (importlib.import_module(k) for k in ("cv2", "scenes", "pictures"))
    tracer = samples.Tracer(library)
    for seed in SEEDS:
        d = scenes.draw(seed, hard=1.0, size=(640, 480))
        s = d.scene
        s.spp = 0
        _, label, pos = tracer.render(s)
        fine = pictures.matters(d, label.shape)
        assert fine.mean() < 0.4
        mm = s.fx / float(np.linalg.norm(np.array(s.cam[:])))
        kept = cv2.erode(fine.astype(np.uint8), np.ones((2 * round(2 * mm) + 1,) * 2, np.uint8)) > 0
        rim = (label == 2) & (np.abs(pos[..., 2]) < 0.5)
        assert rim.any()
        assert kept[rim].all()
        assert kept[(label == LEVER) & (pos[..., 2] > -1)].all()
        for px in pictures.marker_corners(d):
            assert fine[tuple(np.clip(np.round(px).astype(int), 0, [639, 479]).T[::-1])].all()


def test_a_lever_seen_three_pixels_high_counts_as_hidden_and_one_of_four_does_not(
    samples: ModuleType, library: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pictures = importlib.import_module("pictures")
    monkeypatch.setattr(pictures, "traced", lambda _, d: np.zeros((d.scene.height, d.scene.width, 3), np.float32))
    tracer = samples.Tracer(library)
    three, four, hardly = (pictures.one(tracer, seed) for seed in (7_690_056, 7_690_002, 7_696_045))
    assert three is not None
    assert four is not None
    assert (three[0]["tier"], three[0]["refuse_reason"]) == ("C", "hidden")
    assert (four[0]["tier"], four[0]["refuse_reason"]) == ("B", None)
    assert hardly is None, "of three hidden levers one is kept"


def test_windows_of_a_glimpse_show_the_tip_where_they_say(
    samples: ModuleType, library: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    glimpses = importlib.import_module("glimpses")

    def lever_alone(tracer: Any, d: Any) -> np.ndarray:
        return np.repeat((tracer.render(d.scene)[1] == LEVER)[..., None], 3, 2).astype(np.float32)

    monkeypatch.setattr(glimpses, "traced", lever_alone)
    monkeypatch.setattr(glimpses, "_taken", lambda rgb, *_: np.asarray(rgb * 255, np.uint8))
    tracer = samples.Tracer(library)
    shown, right = 0, 0
    for seed in range(20, 32):
        some = glimpses.glimpse(tracer, seed)
        if some is None or not some["tip_seen"].all():
            continue
        assert some["window"].shape == (4, 10, 96, 96)
        for x, (row, column) in zip(some["window"].astype(float), np.round(some["place"]).astype(int), strict=True):
            near = x[0, :, max(column - 3, 0) : column + 4]
            shown += 1
            right += bool(near[row + 1 : row + 5].max() > 0.5 and near[: row - 6].max(initial=0) < 0.5)
            far = 48 + (row - 48) // 4, 48 + (column - 48) // 4
            assert x[5, far[0] : far[0] + 3, far[1] - 1 : far[1] + 2].max() > 0.2
    assert shown >= 20
    assert right > 0.85 * shown


def test_lamps_seen_in_rough_surfaces_are_no_sparks(samples: ModuleType, library: Path) -> None:
    """Few rays a pixel come near to what many tell, also where a small lamp is seen in a rough surface."""
    tracer, scenes = samples.Tracer(library), importlib.import_module("scenes")
    s = scenes.draw(7_104_032, hard=1.0, size=(80, 60)).scene
    s.quick, s.aperture, s.spp = 0, 0, 12
    few = tracer.render(s)[0]
    s.spp, s.seed = 60, s.seed + 1
    assert np.sqrt(np.mean((few - tracer.render(s)[0]) ** 2)) < 0.65 * few.mean()


def test_what_is_traced_sparsely_is_filled_without_sparks_and_edges_stay(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(FOLDER))
    pictures = importlib.import_module("pictures")
    g = np.random.default_rng(1)
    true = np.full((60, 80, 3), 0.2, np.float32)
    true[:, 41:] = 0.6
    known = np.zeros((60, 80), bool)
    known[::2, ::2] = True
    known[:, 35:48] = True
    sparks = known & (g.random(known.shape) < 0.01)
    traced = np.where(sparks[..., None], np.float32(8), true) * known[..., None]
    assert sparks[4:-4, 4:28].sum() > 1
    filled = pictures.filled(traced, known)
    assert filled[4:-4, 4:28].max() < 0.45
    calm = pictures.calmed(np.where(known[1, :, None], traced, filled))
    assert np.median(np.abs(calm[:, 40] - 0.2)) < 0.01
    assert np.median(np.abs(calm[:, 41] - 0.6)) < 0.02
    assert sparks[4:-4, 36:40].any()
    assert calm[4:-4, 36:40].max() < 0.9


def test_blocks_that_are_new_change_nothing_at_first(monkeypatch: pytest.MonkeyPatch) -> None:
    torch = pytest.importorskip("torch")
    monkeypatch.syspath_prepend(str(FOLDER))
    nets = importlib.import_module("nets")
    torch.manual_seed(3)
    before, after = nets.Tip(deeper=()).eval(), nets.Tip().eval()
    x = torch.rand(1, 10, 96, 96)
    assert not torch.allclose(before(x), after(x), atol=1e-3)
    nets.take_over(after, before.state_dict())
    assert torch.allclose(before(x), after(x), atol=1e-4)
    assert sum(p.numel() for p in after.parameters()) > 2 * sum(p.numel() for p in before.parameters())


def test_cut_photographs_keep_their_truth_under_other_light_and_mirrored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    torch = pytest.importorskip("torch")
    monkeypatch.syspath_prepend(str(FOLDER))
    cuts = importlib.import_module("cuts")
    g = np.random.default_rng(2)
    for k in range(12):
        window, strip = np.full((3, 10, 96, 96), 0.3, np.float16), np.full((3, 6, 48, 512), 0.3, np.float16)
        place, row = g.integers(8, 88, (3, 2)), np.sort(g.integers(3, 45, (3, 128)), axis=1)
        for n in range(3):
            window[n, :3, place[n, 0] - 2 : place[n, 0] + 3, place[n, 1] - 2 : place[n, 1] + 3] = 0.9
            for c, r in enumerate(row[n]):
                strip[n, :3, r, 4 * c : 4 * c + 4] = 0.9
            strip[n, 4] = np.linspace(-1, 1, 512)
        true = {"place": place.astype(np.float32), "row": row.astype(np.float32), "tip_seen": np.full(3, k != 5)}
        np.savez(tmp_path / f"B{k:07d}.npz", window=window, strip=strip, **true)
    apart = cuts.Cuts(tmp_path, ["edge"], "cpu", apart=True)
    data = cuts.Cuts(tmp_path, ["tip", "edge"], "cpu", apart=False)
    assert (apart.photographs, data.photographs) == (2, 10)
    torch.manual_seed(1)
    mirrored, hidden = set(), 0
    for _ in range(12):
        some = data.some(6)
        x, place, ok = some["tip"]
        hidden += int((~ok).sum())
        shown = torch.nn.functional.avg_pool2d(x[:, :3].mean(1), 5, 1, 2).flatten(1).argmax(1)
        assert (torch.stack([shown // 96, shown % 96], 1) - place).abs().max() <= 1
        x, row, ok = some["edge"]
        mirrored.add(bool(row[0, 0] > row[0, -1]))
        assert bool((x[:, 4, 0, 0] == -1).all()), "places along run from left to right, mirrored or not"
        shown = x[:, :3].mean(1).unflatten(2, (128, 4)).mean(3).argmax(1)
        assert ((shown - row).abs() <= 1)[ok].float().mean() > 0.97
    assert mirrored == {False, True}
    assert hidden > 0
    net = torch.nn.ModuleDict({"edge": torch.nn.Sequential(torch.nn.Conv2d(6, 1, 1), torch.nn.AvgPool2d((1, 4)))})
    with torch.no_grad():
        assert cuts.cut_figures(net, apart).startswith("edge ")


def test_training_goes_on_from_the_files_that_measuring_uses(monkeypatch: pytest.MonkeyPatch) -> None:
    torch = pytest.importorskip("torch")
    pytest.importorskip("onnx")
    cv2 = importlib.import_module("cv2")
    monkeypatch.syspath_prepend(str(FOLDER))
    nets, restart = importlib.import_module("nets"), importlib.import_module("restart")
    path, size = FOLDER.parent / "data" / "side.onnx", nets.INPUT_SIZE["side"]
    net = nets.make()["side"]
    restart.take_from_file(net, size, path)
    x = 0.2 + 0.5 * torch.rand(6, *size)
    file = cv2.dnn.readNetFromONNX(str(path))
    file.setInput(x.numpy())
    told = torch.from_numpy(file.forward())
    with torch.no_grad():
        assert torch.allclose(net.eval()(x), told, atol=1e-3)
        assert not torch.allclose(net.train()(x), told, atol=1e-1), "training normalises by what it sees"
    restart.take_from_file(net, size, path)
    with restart.settling(net):
        net(x)
    with torch.no_grad():
        assert torch.allclose(net.eval()(x), told, atol=1e-3)
        assert torch.allclose(net.train()(x), told, atol=1e-3)
    with pytest.raises(ValueError, match="weights"):
        restart.take_from_file(nets.make()["edge"], nets.INPUT_SIZE["edge"], path)


def test_level_cameras_are_level_with_the_rim(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(FOLDER))
    scenes = importlib.import_module("scenes")
    for seed in range(12):
        x, y, z = scenes.draw(seed, level=1.0).scene.cam[:]
        assert abs(np.degrees(np.arctan2(z, np.hypot(x, y)))) < 1.6
        before, after = (bytes(scenes.draw(seed, **more).scene) for more in ({}, {"level": 0.0}))
        assert before == after
