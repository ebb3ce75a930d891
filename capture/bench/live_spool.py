"""The sound as it comes in, on the disk at once, so that a crash loses at most the last half second.

A session's spool is a folder inside the record's::

    live/SESSION/session.json         which job, whose voice
    live/SESSION/000000000000.pcm ... int16 mono at 16 kHz in pieces of five minutes, named by their first sample
    live/SESSION/times.jsonl          {"at_sample", "at", "mono"}: when which sample was taken, again after every gap

The ledger says how far the sound has been heard (``end_s`` of the last spoken row of the session), so nothing else has
to be noted. A piece that is full, or a session that ends, goes into the record as a FLAC file and leaves the spool.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from io import FileIO
from pathlib import Path
from typing import Any

from capture.bench.live_level import RATE
from capture.judge.entry import Moment

FOLDER = "live"
PIECE_S = 300
FLUSH_S = 0.5
GAP_S = 0.3
"""Sound that comes this much later than the samples before it say came after a gap."""


@dataclass(frozen=True)
class Anchor:
    """The sample at position ``at_sample`` of the stream was taken at this moment."""

    at_sample: int
    at: datetime
    mono: float

    def moment(self, sample: float, session: str) -> Moment:
        """When another sample was taken, with no gap between."""
        later = (sample - self.at_sample) / RATE
        return Moment(self.at + timedelta(seconds=later), max(0.0, self.mono + later), session)


class Timeline:
    """Which sample of a stream was taken when. The stream has no gaps, time may have: each is an anchor more."""

    def __init__(self, session: str, anchors: list[Anchor] | None = None) -> None:
        self.session = session
        self.anchors: list[Anchor] = list(anchors or [])

    def arrived(self, begin: int, count: int, now: Moment) -> Anchor | None:
        """Note that samples ``begin`` to ``begin + count`` were complete at ``now``; the new anchor, if one was set."""
        expected = self.anchors[-1].moment(begin + count, "").mono if self.anchors else None
        if expected is not None and abs(now.mono - expected) <= GAP_S:
            return None
        seconds = count / RATE
        anchor = Anchor(begin, now.at - timedelta(seconds=seconds), max(0.0, now.mono - seconds))
        self.anchors.append(anchor)
        return anchor

    def moment(self, seconds: float) -> Moment:
        """When the sample at ``seconds`` of the stream was taken."""
        sample = seconds * RATE
        before = [anchor for anchor in self.anchors if anchor.at_sample <= sample] or self.anchors[:1]
        return before[-1].moment(sample, self.session)


class Spool:
    """Writes one session's sound. Not thread-safe: one thread feeds it."""

    def __init__(self, record: Path, session: str, about: dict[str, Any]) -> None:
        self.folder = record / FOLDER / session
        self._about = {"session": session, "rate": RATE, **about}
        self._file: FileIO | None = None
        self._in_piece = 0
        self._unflushed = 0
        self.finished: list[Path] = []

    def write(self, pcm: bytes, begin: int, anchor: Anchor | None) -> None:
        """Append sound.

        Args:
            pcm: int16 samples.
            begin: the position of the first of them in the stream.
            anchor: the new anchor, if these samples set one.

        Raises:
            OSError: the disk refuses it; the next call begins a new piece.
        """
        try:
            if self._file is None:
                self._file = self._piece(begin)
            if anchor is not None:
                self._note(anchor)
            _write_all(self._file, pcm)
            self._in_piece += len(pcm)
            self._unflushed += len(pcm)
            if self._unflushed >= FLUSH_S * RATE * 2:
                os.fsync(self._file.fileno())
                self._unflushed = 0
        except OSError:
            self._drop()
            raise
        if self._in_piece >= PIECE_S * RATE * 2:
            self.close()

    def close(self) -> None:
        """End the present piece; the next sound begins another. OSError when the disk fails."""
        if self._file is not None:
            try:
                os.fsync(self._file.fileno())
            finally:
                self._drop()

    def _drop(self) -> None:
        file, self._file = self._file, None
        if file is not None:
            self.finished.append(Path(str(file.name)))
            file.close()

    def _piece(self, begin: int) -> FileIO:
        self.folder.mkdir(parents=True, exist_ok=True)
        about = self.folder / "session.json"
        if not about.exists():
            about.write_text(json.dumps(self._about, ensure_ascii=False), "utf-8")
        self._in_piece = self._unflushed = 0
        return FileIO(self.folder / f"{begin:012}.pcm", "ab")

    def _note(self, anchor: Anchor) -> None:
        line = {"at_sample": anchor.at_sample, "at": anchor.at.isoformat(), "mono": round(anchor.mono, 4)}
        with (self.folder / "times.jsonl").open("a", encoding="utf-8") as out:
            out.write(json.dumps(line) + "\n")
            out.flush()
            os.fsync(out.fileno())


@dataclass(frozen=True)
class Left:
    """What a session left in its spool: its ids, the pieces by their first sample, and when they were taken."""

    folder: Path
    job: str
    session: str
    technician: str
    timeline: Timeline
    pieces: tuple[tuple[int, Path], ...]

    @property
    def samples(self) -> int:
        """How many samples the session took in."""
        return self.pieces[-1][0] + self.pieces[-1][1].stat().st_size // 2 if self.pieces else 0

    def pcm(self, begin: int) -> bytes:
        """The sound from a sample on; what the disk refused in between is silence."""
        sound = bytearray(max(0, self.samples - begin) * 2)
        for first, path in self.pieces:
            data = path.read_bytes()
            data = data[: len(data) // 2 * 2][max(0, begin - first) * 2 :]
            at = max(0, first - begin) * 2
            sound[at : at + len(data)] = data
        return bytes(sound)


def piece_pcm(path: Path) -> bytes:
    """The whole samples of one piece."""
    data = path.read_bytes()
    return data[: len(data) // 2 * 2]


def first_sample(path: Path) -> int:
    """The position of a piece's first sample in its stream."""
    return int(path.stem)


def left_behind(record: Path, job: str) -> Iterator[Left]:
    """The spools that a job's earlier sessions left, oldest first. A folder that cannot be read is left alone."""
    for folder in sorted((record / FOLDER).glob("*/session.json")):
        left = _read(folder.parent)
        if left is not None and left.job == job:
            yield left


def remove(left: Path) -> None:
    """Remove a session's spool once everything in it is in the record; what the disk will not let go stays."""
    with suppress(OSError):
        shutil.rmtree(left, ignore_errors=True)


def _read(folder: Path) -> Left | None:
    try:
        about = json.loads(_text(folder / "session.json"))
        job, session = str(about["job"]), str(about["session"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    pieces = sorted((first_sample(path), path) for path in folder.glob("*.pcm") if path.stem.isdigit())
    timeline = Timeline(session, _anchors(folder / "times.jsonl"))
    return Left(folder, job, session, str(about.get("technician", "")), timeline, tuple(pieces))


def _text(path: Path) -> str:
    """A file's text; a disk that fails once is asked again, since a session passed over is sound not heard."""
    try:
        return path.read_text("utf-8")
    except OSError:
        return path.read_text("utf-8")


def _write_all(file: FileIO, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[file.write(view) or 0 :]


def _anchors(path: Path) -> list[Anchor]:
    anchors = []
    for line in path.read_text("utf-8").splitlines() if path.exists() else ():
        try:
            raw = json.loads(line)
            anchors.append(
                Anchor(int(raw["at_sample"]), datetime.fromisoformat(raw["at"]).astimezone(), float(raw["mono"]))
            )
        except (ValueError, KeyError, TypeError):
            continue
    return anchors
