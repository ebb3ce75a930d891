"""Recorded people and noise to measure hearing with; none of it was trained on. Noise is made here, by other means
than in training."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from capture.procedure.inside import canonical
from capture.speech import read_audio

RATE = 16000
SHARED = Path(__file__).resolve().parents[3] / "shared" / "speech" / "eval"
Samples = npt.NDArray[np.float32]
NOISES = ("hiss", "motor", "tools")
ROOM = 1e-4
"""Root mean square of the faint noise that stands for silence."""


@dataclass(frozen=True)
class Sound:
    """One recording: where it comes from, what is said, the samples at 16 kHz in -1..1, and who speaks."""

    set: str
    kind: str
    words: str
    samples: Samples
    speaker: str = ""


def recorded(folder: Path = SHARED) -> Iterator[Sound]:
    """The real people of the evaluation folder; words in the spelling used inside."""
    with (folder / "manifest.tsv").open(encoding="utf-8", newline="") as f:
        for row in csv.DictReader(f, delimiter="\t"):
            said = row["transcript"].lower().replace("x ray", "x-ray").split()
            words = " ".join(w for one in said for w in canonical(one))
            yield Sound(row["set"], row["kind"], words, read_audio(folder / row["file"]).samples, row["speaker"])


def noise(kind: str, n: int, seed: int) -> Samples:
    """Noise of unit power: "hiss" of a leak, "motor" with hum, "tools" being used and put down."""
    r = np.random.default_rng(seed)
    t = np.arange(n) / RATE
    white = r.standard_normal(n)
    if kind == "hiss":
        x = np.diff(white, prepend=0.0)
    elif kind == "motor":
        x = np.cumsum(white) * 0.02
        x -= np.convolve(x, np.ones(800) / 800, "same")
        x += sum(np.sin(2 * np.pi * 49.7 * h * t + h) / h for h in (1, 2, 3, 4, 6, 9)) + 0.2 * white
    else:
        x = 0.05 * white
        for at in r.uniform(0, n, max(2, n // 6000)).astype(int):
            m = min(n - at, 3200)
            ring = np.exp(-np.arange(m) / r.uniform(80, 600)) * np.sin(np.arange(m) * r.uniform(0.2, 2.0))
            x[at : at + m] += r.uniform(0.5, 3) * ring
    return np.asarray(x / np.sqrt((x**2).mean()), np.float32)


def loudness(x: Samples) -> float:
    """Root mean square over the loud part."""
    loud = np.abs(x) > 0.02 * np.abs(x).max()
    return float(np.sqrt((x[loud] ** 2).mean()))


def room(seconds: float, seed: int) -> Samples:
    """What stands for silence."""
    r = np.random.default_rng(seed)
    return np.asarray(r.standard_normal(int(seconds * RATE)) * ROOM, np.float32)


def surrounded(x: Samples, level: int | None, seed: int, before_s: float = 0.5, after_s: float = 0.5) -> Samples:
    """A sound with what was before and after it: the room's silence, or one of the noises at so many decibels below
    the loud part of the speech, which is there before the first word and stays after the last."""
    whole = np.concatenate([room(before_s, seed), x, room(after_s, seed + 1)])
    if level is None:
        return whole
    return whole + noise(NOISES[seed % len(NOISES)], len(whole), seed) * np.float32(loudness(x) / 10 ** (level / 20))


def pcm(x: Samples) -> bytes:
    """As int16 samples."""
    return np.clip(np.round(x * 32768), -32768, 32767).astype("<i2").tobytes()
