"""Pack many short recordings into a few long Ogg Opus streams with an index, so that they travel cheaply.

A pack is a folder of ``NAME.ogg`` (16 kHz, mono) and ``index.tsv`` with one clip a line: stream, first sample,
number of samples, set, speaker, sex, kind, words.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

RATE = 16000
FIELDS = ("stream", "first", "samples", "set", "speaker", "sex", "kind", "words", "segments")
STREAM_SAMPLES = 20 * 60 * RATE


@dataclass(frozen=True)
class Clip:
    """One recording with its words; ``pcm`` is int16 at 16 kHz."""

    pcm: npt.NDArray[np.int16]
    set: str
    speaker: str
    sex: str
    kind: str
    words: tuple[str, ...]
    segments: tuple[tuple[str, float], ...] = ()
    """Units and the times at which they end, in seconds, where the synthesiser told them."""


def read_folder(folder: Path) -> Iterator[Clip]:
    """Clips of a folder with ``manifest.tsv`` (file, set, speaker, sex, transcript, kind).

    Raises:
        ValueError: a clip is not sampled at 16 kHz.
    """
    import soundfile as sf

    with (folder / "manifest.tsv").open(encoding="utf-8", newline="") as f:
        for row in csv.DictReader(f, delimiter="\t"):
            pcm, rate = sf.read(folder / row["file"], dtype="int16")
            if rate != RATE:
                raise ValueError(f"{row['file']} is sampled at {rate} Hz; resample it to {RATE} Hz first.")
            words = tuple(row["transcript"].lower().split())
            yield Clip(pcm, row["set"], row["speaker"], row["sex"], row["kind"], words)


def write_pack(clips: Iterable[Clip], out: Path, bits_per_second: int = 17000, name: str = "part") -> int:
    """Write clips as a pack; returns how many."""
    import soundfile as sf

    out.mkdir(parents=True, exist_ok=True)
    level = 1 - (bits_per_second - 6000) / 250000  # libsndfile's scale: 0 is 256 kbit/s, 1 is 6 kbit/s
    rows: list[tuple[object, ...]] = []
    held: list[npt.NDArray[np.int16]] = []
    at, stream = 0, 0

    def flush() -> None:
        nonlocal at, stream
        if held:
            path = out / f"{name}{stream:03d}.ogg"
            sf.write(path, np.concatenate(held), RATE, format="OGG", subtype="OPUS", compression_level=level)
        held.clear()
        at, stream = 0, stream + 1

    for c in clips:
        times = " ".join(f"{u}:{t:.3f}" for u, t in c.segments)
        file = f"{name}{stream:03d}.ogg"
        rows.append((file, at, len(c.pcm), c.set, c.speaker, c.sex, c.kind, " ".join(c.words), times))
        held.append(c.pcm)
        at += len(c.pcm)
        if at >= STREAM_SAMPLES:
            flush()
    flush()
    with (out / "index.tsv").open("w", encoding="utf-8", newline="") as f:
        w = csv.writer(f, delimiter="\t", lineterminator="\n")
        w.writerow(FIELDS)
        w.writerows(rows)
    return len(rows)


def _stream(path: Path) -> npt.NDArray[np.int16]:
    import soundfile as sf

    return np.asarray(sf.read(path, dtype="int16")[0])


def read_pack(folder: Path) -> list[Clip]:
    """All clips of a pack, in the order written; the streams are decoded side by side."""
    with (folder / "index.tsv").open(encoding="utf-8", newline="") as f:
        rows = list(csv.DictReader(f, delimiter="\t"))
    names = sorted({r["stream"] for r in rows})
    with ThreadPoolExecutor() as pool:
        streams = dict(zip(names, pool.map(_stream, (folder / n for n in names)), strict=True))
    out = []
    for r in rows:
        first, n = int(r["first"]), int(r["samples"])
        times = [t.split(":") for t in (r.get("segments") or "").split()]
        segments = tuple((u, float(t)) for u, t in times)
        pcm = streams[r["stream"]][first : first + n]
        out.append(Clip(pcm, r["set"], r["speaker"], r["sex"], r["kind"], tuple(r["words"].split()), segments))
    return out
