"""The bench's own camera: what is asked for aloud, or wanted by the page, is taken into the job."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from capture.bench import live_camera
from capture.camera import Frame, open_camera
from capture.errors import EnvironmentFault, UsageError
from capture.procedure import find, load_procedure
from capture.record import Row, verify
from tests.live.stand_ins import Bench, make_bench
from tests.vision.render import World, render, setup_table

ASKED = ("stage assembly", "photo lever side")


@pytest.fixture
def make(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Bench]]:
    """Makes a bench whose camera is a folder of three frames, the second one sharp."""
    monkeypatch.setattr(live_camera, "DELAY_S", 0.05)
    folder = tmp_path / "bench eye"
    folder.mkdir()
    grid = (np.indices((96, 128)).sum(0) // 8 % 2 * 160 + 40).astype(np.uint8)
    for number, step in enumerate((6, 1, 3)):  # enlarged again, the coarser ones are blurred
        small = Image.fromarray(grid).resize((128 // step, 96 // step), Image.Resampling.BOX)
        small.resize((128, 96), Image.Resampling.BICUBIC).convert("RGB").save(folder / f"{number}.png")
    benches: list[Bench] = []

    def made(**facts: Any) -> Bench:
        facts.setdefault("camera", open_camera(str(folder)))
        benches.append(make_bench(tmp_path, **facts))
        benches[-1].desk.open_job("lever_valve", "Rhea Okoro", "")
        return benches[-1]

    yield made
    for bench in benches:
        bench.desk.close()
        bench.record.close()


def photos(bench: Bench, wait_for: int = 0) -> list[Row]:
    end = time.monotonic() + 30
    while True:
        found = [row for row in bench.record.rows() if row.kind == "photo"]
        if len(found) >= wait_for or time.monotonic() > end:
            return found
        time.sleep(0.05)


def test_what_is_asked_for_aloud_is_taken(make: Callable[..., Bench], tmp_path: Path) -> None:
    bench = make()
    for line in ASKED:
        bench.desk.live.typed(line)
    (photo,) = photos(bench, wait_for=1)
    assert photo.body["data"]["view"] == "lever_side"
    assert photo.body["file"]["camera"] == "bench eye"
    assert photo.body["file"]["frames_taken"] == 3
    assert photo.body["file"]["others"] == "measured, not kept"
    (kept,) = [ref for ref in photo.media if ref.kind == "photo"]
    assert bench.record.read_media(kept.sha256) == (tmp_path / "bench eye" / "1.png").read_bytes(), "the sharpest"
    assert not [ref for ref in photo.media if ref.kind == "frame"]
    bench.desk.live.do(lambda: None)
    assert bench.desk.board()["last"][0]["value"] == "3.02 mm"
    assert bench.desk.board()["camera"] == "bench eye"


def test_all_frames_are_kept_when_that_is_set(make: Callable[..., Bench]) -> None:
    bench = make(keep_frames=True)
    for line in ASKED:
        bench.desk.live.typed(line)
    (photo,) = photos(bench, wait_for=1)
    assert len([ref for ref in photo.media if ref.kind == "frame"]) == 2
    assert photo.body["file"]["others"] == "kept"
    assert verify(bench.record.folder).ok


def test_by_the_pages_button_only_when_that_is_set(make: Callable[..., Bench]) -> None:
    bench = make(camera_when_asked=False)
    for line in ASKED:
        bench.desk.live.typed(line)
    time.sleep(0.3)
    assert photos(bench) == []
    (entry, _) = bench.desk.take_picture()
    assert entry.entry.kind == "photo"
    with pytest.raises(UsageError, match="no photo view 'nowhere'"):
        bench.desk.take_picture("nowhere")


def test_a_camera_that_fails_is_said_and_the_picture_is_still_asked_for(make: Callable[..., Bench]) -> None:
    class Gone:
        name = "gone"

        def frames(self) -> Iterator[Frame]:
            raise EnvironmentFault("The camera 'gone' stopped giving pictures; plug it in again.")
            yield

        def close(self) -> None:
            pass

    bench = make(camera=Gone())
    for line in ASKED:
        bench.desk.live.typed(line)
    end = time.monotonic() + 20
    while not bench.desk.board()["troubles"] and time.monotonic() < end:
        time.sleep(0.02)
    assert "plug it in again" in bench.desk.board()["troubles"][0]
    assert bench.desk.board()["asked"] == "lever_side"


def test_a_bench_without_a_camera_says_so(make: Callable[..., Bench]) -> None:
    bench = make(camera=None)
    assert bench.desk.board()["camera"] == ""
    with pytest.raises(UsageError, match="has no camera"):
        bench.desk.take_picture()


def test_a_burst_is_measured_together(tmp_path: Path) -> None:
    """The real measurer: three frames of a rendered view, their scatter in the stored budget."""
    import io
    import json
    from dataclasses import replace

    from capture.bench.measurer import SetupMeasurer

    procedure = load_procedure(find("lever_valve"))
    wide = procedure.photo("lever_side").rim_diameter_mm
    world = World(height=3.2, radius=30.5 if wide is None else float(wide) / 2)
    (tmp_path / "setup.json").write_text(json.dumps(setup_table(world)))
    frames = []
    for seed in range(3):
        out = io.BytesIO()
        Image.fromarray(render(replace(world, seed=seed))).save(out, "PNG", compress_level=1)
        frames.append(out.getvalue())
    measurer = SetupMeasurer(procedure, {"lever_side": tmp_path / "setup.json"})
    looked = measurer(frames[0], "lever_side", more=[*frames[1:], b"damaged"])
    facts = looked.result.measurement
    assert looked.result.outcome == "measured"
    assert looked.overlay is not None
    assert len(facts["frames"]) == 3
    assert facts["budget"][-1]["source"] == "scatter of 3 frames"
    alone = measurer(frames[0], "lever_side").result.measurement
    assert "frames" not in alone
