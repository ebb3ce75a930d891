"""Stands in, at the edges, for what a test must not depend on: a trained model, a measuring setup, a loudspeaker."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from capture.bench.live_desk import Desk, ListenChoice, Settings
from capture.bench.live_level import RATE, frame_levels
from capture.bench.live_source import Practice
from capture.bench.live_types import Told
from capture.bench.page.hub import Hub
from capture.bench.session import Looked
from capture.camera import FrameSource
from capture.judge.entry import PhotoResult
from capture.procedure import find, load_procedure
from capture.procedure.model import Procedure
from capture.record import Record
from capture.speech.heard import Clip, Doubt, Heard, Word

LOUD_DB = -35.0
QUIET_FRAMES = 20


def bursts(count: int, *, pause_s: float = 0.8, burst_s: float = 0.6, seed: int = 1) -> bytes:
    """Sound with ``count`` loud bursts between pauses: int16 mono at 16 kHz."""
    random = np.random.default_rng(seed)
    parts = [random.normal(0, 20, int(pause_s * RATE))]
    for _ in range(count):
        parts += [random.normal(0, 5000, int(burst_s * RATE)), random.normal(0, 20, int(pause_s * RATE))]
    return np.clip(np.concatenate(parts), -32768, 32767).astype("<i2").tobytes()


@dataclass
class BurstListener:
    """Hears the next of its lines whenever a loud burst has ended. A line with a "?" before it is doubtful."""

    lines: list[str]
    taken: bytearray = field(default_factory=bytearray)
    begun: int | None = None
    quiet: int = 0
    done: int = 0

    def accept(self, pcm: bytes) -> list[Heard]:
        self.taken += pcm
        found = []
        frame = RATE // 50
        while len(self.taken) // 2 >= self.done + frame:
            level = frame_levels(bytes(self.taken[self.done * 2 : (self.done + frame) * 2]))[0]
            self.done += frame
            if level > LOUD_DB:
                self.begun, self.quiet = self.begun if self.begun is not None else self.done - frame, 0
            elif self.begun is not None:
                self.quiet += 1
                if self.quiet >= QUIET_FRAMES:
                    found.append(self._heard())
        return found

    def finish(self) -> list[Heard]:
        return [self._heard()] if self.begun is not None else []

    @property
    def partial(self) -> str:
        return self.lines[0].lstrip("?").split()[0] if self.begun is not None and self.lines else ""

    def _heard(self) -> Heard:
        begin, end = self.begun or 0, self.done - self.quiet * RATE // 50
        self.begun, self.quiet = None, 0
        line = self.lines.pop(0) if self.lines else ""
        doubtful, line = line.startswith("?"), line.lstrip("?")
        texts = line.split()
        step = (end - begin) / RATE / max(1, len(texts))
        words = tuple(
            Word(text, begin / RATE + at * step, begin / RATE + (at + 1) * step, 1.0) for at, text in enumerate(texts)
        )
        clip = Clip(bytes(self.taken[begin * 2 : end * 2]), RATE, begin / RATE)
        doubts = (Doubt("faint", 0, len(texts) - 1, "It was not clear."),) if doubtful else ()
        return Heard(words, line, begin / RATE, end / RATE, clip, doubts, "stand-in")


class SilentVoice:
    """Remembers what it was to say; ends when it is told to."""

    def __init__(self) -> None:
        self.said: list[str] = []
        self.hushed = 0
        self.now: tuple[int, Callable[[int], None]] | None = None

    def say(self, text: str, number: int, done: Callable[[int], None]) -> bytes:
        self.said.append(text)
        self.now = (number, done)
        return b""

    def hush(self) -> None:
        self.hushed += 1
        self.now = None

    def end(self) -> None:
        if self.now is not None:
            number, done = self.now
            self.now = None
            done(number)


def measured(values: Sequence[float]) -> Callable[[bytes, str], Looked]:
    """A measurer that finds these heights in turn (mm, U 0.12), and shows the picture itself as its overlay."""
    left = list(values)

    def measure(data: bytes, view: str, *, more: Sequence[bytes] = ()) -> Looked:
        if view == "lever_side" and left:
            return Looked(PhotoResult(view, "measured", left.pop(0), 0.12), data, "image/png")
        return Looked(PhotoResult(view, "not_measured", sentence="Kept as a picture."), None)

    return measure


@dataclass
class Bench:
    """A desk with its stand-ins. ``told`` is everything that its page would have been told."""

    desk: Desk
    record: Record
    folder: Path
    told: list[Told]
    lines: list[str]
    hub: Hub


def make_bench(
    folder: Path,
    lines: Sequence[str] = (),
    *,
    values: Sequence[float] = (3.02, 1.62),
    practice: Sequence[Practice] = (),
    fast: bool = True,
    procedure: str = "lever_valve",
    keep_sound: bool = True,
    camera: FrameSource | None = None,
    camera_when_asked: bool = True,
    keep_frames: bool = False,
    listening: ListenChoice = "open",
) -> Bench:
    """A bench on a new (or the earlier) record in ``folder``, which hears ``lines`` in turn."""
    place = folder / "record"
    record = Record.open(place) if (place / "ledger.sqlite").exists() else Record.create(place)
    kind = load_procedure(find(procedure))
    told: list[Told] = []
    left = list(lines)
    hub = Hub()
    lock = threading.Lock()

    def tell(one: Told) -> None:
        with lock:
            told.append(one)
        hub.tell(one)

    def listen(_: Procedure) -> BurstListener:
        return BurstListener(left)

    settings = Settings(
        {kind.id: kind},
        "Gannet Point workshop",
        listen=listening,
        practice=tuple(practice),
        fast=fast,
        keep_sound=keep_sound,
        camera_when_asked=camera_when_asked,
        keep_frames=keep_frames,
    )
    measurer = measured(values)
    desk = Desk(record, settings, listen, lambda _: measurer, tell, hub.pages, camera=camera)
    return Bench(desk, record, folder, told, left, hub)
