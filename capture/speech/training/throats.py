"""The same words from another throat: pitch, melody, formants, breath and tempo of a recording changed one by one.

Method: a voice is taken apart into pitch, spectral envelope and noisiness and put together again by the vocoder WORLD
(M. Morise and others, 2016), of which PyPI has ``pyworld``.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from .pack import RATE, Clip

Array = npt.NDArray[Any]

PERIOD = 6.0
"""Milliseconds from one look at the voice to the next."""
FEWEST_VOICED = 12
LOWEST, HIGHEST = 75.0, 290.0
THROAT = 0.27
"""Formants follow pitch to this power, from men to women (common practice, no source)."""


@dataclass(frozen=True)
class Throat:
    """How the new voice differs from the old one."""

    pitch: float
    melody: float
    formants: float
    breath: float
    """To this power the voice's noisiness is taken: 0 whispers."""
    drag: tuple[float, ...]
    """Tempo at evenly spaced moments."""


def draw(r: random.Random, median: float) -> Throat:
    """A throat for a voice whose median pitch in hertz is given."""
    wanted = LOWEST * (HIGHEST / LOWEST) ** r.random()
    pitch = min(2.2, max(0.5, wanted / median))
    formants = min(1.28, max(0.8, pitch**THROAT * r.lognormvariate(0, 0.05)))
    breath = 0.0 if r.random() < 0.03 else r.uniform(0.4, 1.2)
    return Throat(pitch, r.uniform(0.5, 1.5), formants, breath, tuple(r.uniform(0.8, 1.25) for _ in range(6)))


def moments(frames: int, drag: Sequence[float]) -> Array:
    """For each new frame the place in the old ones: slower here, faster there."""
    tempo = np.interp(np.linspace(0, len(drag) - 1, frames), np.arange(len(drag)), drag)
    place = np.concatenate([[0.0], np.cumsum(1 / tempo)])
    return np.interp(np.arange(int(place[-1])), place, np.arange(frames + 1)).clip(0, frames - 1)


def between(values: Array, at: Array) -> Array:
    """Rows of ``values`` at places between them."""
    low = at.astype(int)
    part = (at - low)[:, None]
    return np.asarray(values[low] * (1 - part) + values[np.minimum(low + 1, len(values) - 1)] * part)


def change(clip: Clip, r: random.Random) -> Clip:
    """The clip from another throat; the same clip where hardly anything is voiced."""
    import pyworld

    x = clip.pcm.astype(np.float64) / 32768
    f0, times = pyworld.dio(x, RATE, frame_period=PERIOD)
    voiced = f0 > 0
    if voiced.sum() < FEWEST_VOICED:
        return clip
    f0 = pyworld.stonemask(x, f0, times, RATE)
    envelope = pyworld.cheaptrick(x, f0, times, RATE)
    noisiness = pyworld.d4c(x, f0, times, RATE)
    median = float(np.median(f0[voiced]))
    t = draw(r, median)
    at = moments(len(f0), t.drag)
    tune = np.where(voiced, median * t.pitch * (np.maximum(f0, 1.0) / median) ** t.melody, 0.0)
    bins = np.arange(envelope.shape[1])
    source = np.clip(bins / t.formants, 0, bins[-1])
    envelope = np.exp(between(np.log(between(envelope, at) + 1e-16).T, source).T)
    noisiness = between(between(noisiness**t.breath, at).T, source).T
    y = pyworld.synthesize(
        tune[at.round().astype(int)],
        np.ascontiguousarray(envelope),
        np.ascontiguousarray(noisiness.clip(1e-6, 1.0)),
        RATE,
        PERIOD,
    )
    peak = float(np.abs(y).max())
    y *= min(1.0, 0.98 / max(peak, 1e-9))
    frames_at = np.interp([end * 1000 / PERIOD for _, end in clip.segments], at, np.arange(len(at)))
    segments = tuple((u, float(f) * PERIOD / 1000) for (u, _), f in zip(clip.segments, frames_at, strict=True))
    return replace(clip, pcm=np.round(y * 32767).astype(np.int16), segments=segments)


def _some(job: tuple[list[Clip], int]) -> list[Clip]:
    clips, seed = job
    r = random.Random(seed)
    return [change(c, r) for c in clips]


def others(clips: Sequence[Clip], seed: int, workers: int) -> list[Clip]:
    """All the clips from other throats, in their order."""
    parts = [(list(clips[i : i + 50]), seed + i) for i in range(0, len(clips), 50)]
    with ProcessPoolExecutor(workers) as pool:
        return [c for part in pool.map(_some, parts) for c in part]
