"""A watched folder: whole files only, each once, none touched."""

from __future__ import annotations

import io
import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from capture.camera.watch import PATIENCE_S, Watch, whole
from capture.errors import UsageError


def encoded(kind: str = "JPEG", seed: int = 0, **more: object) -> bytes:
    rgb = np.random.default_rng(seed).integers(0, 256, (90, 120, 3), np.uint8)
    out = io.BytesIO()
    Image.fromarray(rgb).save(out, kind, **more)
    return out.getvalue()


class Watched:
    def __init__(self, folder: Path) -> None:
        self.folder, self.got, self.said, self.now, self.is_ready = folder, [], [], 0.0, True
        folder.mkdir(exist_ok=True)
        self.watch = Watch(folder, self.take, lambda: self.is_ready, self.said.append, lambda: self.now)

    def take(self, path: Path, data: bytes) -> None:
        if b"refuse" in data:
            raise UsageError("It is not wanted; send another.")
        self.got.append((path.name, data))

    def looks(self, count: int, step: float = 0.7) -> None:
        for _ in range(count):
            self.now += step
            self.watch.look()

    @property
    def names(self) -> list[str]:
        return [name for name, _ in self.got]


@pytest.fixture
def watched(tmp_path: Path) -> Watched:
    (tmp_path / "camera").mkdir()
    (tmp_path / "camera" / "old.jpg").write_bytes(encoded(seed=9))
    return Watched(tmp_path / "camera")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_only_the_whole_file_is_whole(kind: str) -> None:
    data = encoded(kind)
    assert whole(data)
    assert not any(whole(data[: int(len(data) * f)]) for f in (0.1, 0.5, 0.9, 0.995))


def test_a_preview_in_the_head_is_not_the_end() -> None:
    data = encoded(quality=95)
    with_preview = data[:2] + b"\xff\xe1" + (len(data) // 4 + 2).to_bytes(2, "big") + b"\0" * (len(data) // 4 - 2)
    with_preview += b"\xff\xd9" + data[2:]
    assert whole(with_preview)
    assert not whole(with_preview[: int(0.9 * len(with_preview))])


def test_a_growing_file_is_waited_for_and_taken_once(watched: Watched) -> None:
    data, path = encoded("PNG"), watched.folder / "new.png"
    for share in (0.2, 0.6, 0.9):
        path.write_bytes(data[: int(len(data) * share)])
        watched.looks(4)
    assert watched.got == []
    path.write_bytes(data)
    watched.looks(5)
    assert watched.got == [("new.png", data)], "the old one is not taken, the new one once, as it is"
    assert path.read_bytes() == data
    assert (watched.folder / "old.jpg").exists()


def test_a_file_that_stays_cut_off_is_handed_on_in_the_end(watched: Watched) -> None:
    (watched.folder / "cut.jpg").write_bytes(encoded()[:500])
    watched.looks(4)
    assert watched.got == []
    watched.looks(2, PATIENCE_S)
    assert watched.names == ["cut.jpg"]
    watched.looks(3, PATIENCE_S)
    assert watched.names == ["cut.jpg"]


def test_the_same_name_with_another_picture_is_another_picture(watched: Watched) -> None:
    path = watched.folder / "last.jpg"
    for seed in (1, 2):
        path.write_bytes(encoded(seed=seed))
        watched.looks(3)
    assert [data for _, data in watched.got] == [encoded(seed=1), encoded(seed=2)]
    os.utime(path, (1e9, 1e9))
    (watched.folder / "copy.jpg").write_bytes(encoded(seed=2))
    watched.looks(3)
    assert len(watched.got) == 2, "touched or copied, it is the same picture"


def test_pictures_wait_until_there_is_a_job(watched: Watched) -> None:
    watched.is_ready = False
    (watched.folder / "early.jpg").write_bytes(encoded(seed=4))
    watched.looks(5)
    watched.is_ready = True
    watched.looks(2)
    assert watched.names == ["early.jpg"]


def test_what_is_not_taken_is_said_once(watched: Watched) -> None:
    (watched.folder / "a.heic").write_bytes(b"x")
    (watched.folder / "notes.txt").write_text("nothing")
    (watched.folder / "b.jpg").write_bytes(encoded(seed=5) + b"refuse")
    (watched.folder / "sub.jpg").mkdir()
    watched.looks(4)
    assert watched.said == [
        "a.heic is not taken: set the camera to JPEG, or export the picture as JPEG or PNG.",
        "The picture b.jpg was not taken: It is not wanted; send another.",
    ]
    (watched.folder / "c.jpg").write_bytes(encoded(seed=6))
    watched.looks(2)
    assert watched.said[-1] == "", "the trouble is over"
