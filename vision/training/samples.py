# mypy: ignore-errors
# ruff: noqa: T201
"""Renders the views on which the networks are trained, with what is true in them.

``python samples.py FOLDER FIRST_SEED COUNT SECONDS`` leaves them in FOLDER for ``train.py``, so that several graphics
processors can draw for one. ``SEE_FRAME`` says what is drawn of a scene: ``whole`` (for all networks), ``classes``
(coarser, for what is what), ``rim`` (finer, for the edge and the sides) or ``tip`` (finer still round the tip, coarse
all round); ``SEE_LEVEL``, of how many the camera stands level with the rim (0 to 1), besides those that do by chance.
"""

from __future__ import annotations

import math
import os
import pickle
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np
from scenes import MAT, Drawn, Scene, Tracer, _prim, _rot, compile_tracer, draw


@dataclass(frozen=True)
class Frame:
    """A view of the lever's plane: mm a pixel, columns, rows, rays a pixel; ``around``: how many times as wide and high
    is what is seen besides, all round it, in as many pixels, with how many rays for each, and then its middle lies on
    the tip; else (0) there is nothing besides, and its middle column lies on the case's axis."""

    pitch: float
    wide: int
    high: int
    rays: int
    around: int = 0
    around_rays: int = 0


Made = TypeVar("Made")
FRAMES = {
    "whole": Frame(0.10, 940, 540, 12),
    "classes": Frame(0.15, 640, 368, 6),
    "rim": Frame(0.07, 1344, 560, 6),
    "tip": Frame(0.06, 216, 216, 8, 3, 3),
}
FRAME = FRAMES[os.environ.get("SEE_FRAME", "whole")]
LEVEL = float(os.environ.get("SEE_LEVEL", "0"))
GRID = np.linspace(-40, 40, 321)
"""Where (x, mm) the outlines are told."""
DOWN = 3.0
_FILE = 100
_BEHIND = 0.4
"""So often something stands behind the lever that may be taken for it."""


@dataclass
class Sample:
    """One rendered view: linear colours (3, H, W) half, classes (H, W); the same of what is round it, coarser, or
    nothing (in what follows both are one view of the finer pixels); z of its first row; the rim's upper outline and
    the land's near inner edge over ``GRID`` (nan: beyond its reach) with their half widths; the places in the lever's
    plane (x, z) of the lever's highest point and of the point that is seen highest (nan: none); how many pixels of the
    lever's top are seen; elevation over the rim in degrees; height of the rim line at the tip's depth; where the case
    is seen to end left and right, in the rim's plane and ``DOWN`` below it: (2, 2, 2) sides, heights, x and z; mm a
    pixel, and the x of the middle of a row; ``Frame.around``."""

    rgb: np.ndarray
    label: np.ndarray
    around_rgb: np.ndarray
    around_label: np.ndarray
    top: float
    outer: np.ndarray
    inner: np.ndarray
    tip: tuple[float, float]
    apex: tuple[float, float]
    seen: int
    elevation: float
    line: float
    sides: np.ndarray
    pitch: float
    middle: float
    around: int


def _in_plane(s: Scene, p: np.ndarray, y: float) -> np.ndarray:
    """World points (N, 3) seen in the plane ``y``: (N, 2) x, z."""
    c = np.array(s.cam[:])
    d = p - c
    q = c + d * ((y - c[1]) / d[:, 1])[:, None]
    return q[:, [0, 2]]


def edge_curves(s: Scene, radius: float, y: float) -> tuple[np.ndarray, np.ndarray]:
    """Near and far half of a circle in the rim plane as heights over ``GRID`` in the plane ``y``; nan beyond."""
    phi = math.atan2(s.cam[1], s.cam[0])
    a = np.radians(np.linspace(-89.9, 89.9, 721))
    out = []
    for start, sign in ((phi, 1), (phi + math.pi, -1)):
        t = start + sign * a
        xz = _in_plane(s, np.stack([radius * np.cos(t), radius * np.sin(t), np.zeros(len(t))], 1), y)
        k = int(np.argmin(xz[:, 0])), int(np.argmax(xz[:, 0]))
        part = xz[min(k) : max(k) + 1]
        part = part[np.argsort(part[:, 0])]
        out.append(np.interp(GRID, part[:, 0], part[:, 1], left=np.nan, right=np.nan))
    return out[0], out[1]


def side_ends(s: Scene, y: float) -> np.ndarray:
    """Left and right silhouette of the case's outermost cylinder in the plane ``y``, as ``Sample.sides``."""
    away = math.hypot(s.cam[0], s.cam[1])
    a = math.atan2(s.cam[1], s.cam[0]) + np.array([-1, 1]) * math.acos(s.rout / away)
    flat = s.rout * np.stack([np.cos(a), np.sin(a)], 1)
    both = np.stack([np.c_[flat, np.zeros(2)], np.c_[flat, np.full(2, -DOWN)]], 1)
    return _in_plane(s, both.reshape(-1, 3), y).reshape(2, 2, 2)


def _apex(s: Scene, lever: np.ndarray, x: float) -> tuple[float, float]:
    """Where the lever (H, W) is seen highest within 6 mm of ``x``, in the plane that is looked at; nan: nowhere."""
    columns = s.px0 + np.arange(s.width) * s.mmpp
    near = lever & (np.abs(columns - x) < 6)
    rows = np.flatnonzero(near.any(1))
    if not len(rows):
        return math.nan, math.nan
    top = rows[0]
    return float(columns[near[top]].mean()), float(s.pz0 - (top - 0.5) * s.mmpp)


def behind(s: Scene, g: np.random.Generator, tip: tuple[float, float, float]) -> None:
    """Put one or two things behind the case that are seen close by the tip, some of the lever's metal."""
    eye = np.array(s.cam[:])
    for _ in range(int(g.integers(1, 3))):
        kind, mat = int(g.choice([0, 1, 2, 4])), int(g.choice([MAT["lever"], MAT["spring"], *range(10, 18)]))
        y = float(g.uniform(s.rout + 4, s.rout + 90))
        along = (y - eye[1]) / (tip[1] - eye[1])
        seen = np.array([tip[0] + g.normal(0, 5), tip[1], tip[2] + g.normal(0.3, 1.5)])
        x, _, top = eye + along * (seen - eye)
        a, high = (float(v) for v in np.exp(g.uniform(np.log([1.0, 3.0]), np.log([8.0, 20.0]))))
        b, c = (high, float(g.uniform(4, 20))) if kind in (1, 2) else (float(g.uniform(1, 10)), high)
        reach = {0: c, 1: b, 2: a + b, 4: a}[kind]
        s.outer[s.nouter] = _prim(kind, mat, (x, y, top - reach), _rot(g.uniform(0, 360)), a, b, c, g.uniform(0.2, 0.8))
        s.nouter += 1
        s.top = max(s.top, top + 2)


def _aim(s: Scene, pitch: float, across: float, middle: float) -> None:
    """Look at the place x, z of the lever's plane, ``pitch`` mm a pixel."""
    s.mmpp = pitch
    s.px0, s.pz0 = across - (s.width - 1) / 2 * pitch, middle + (s.height - 1) / 2 * pitch


def _all_round(
    tracer: Tracer, scene: Scene, f: Frame, across: float, middle: float, more: int
) -> tuple[np.ndarray, np.ndarray]:
    """Colours and classes of what is round a view."""
    s = type(scene).from_buffer_copy(scene)
    s.spp, s.seed = f.around_rays * more, (s.seed + 1) % (1 << 31)
    _aim(s, f.around * f.pitch, across, middle)
    rgb, label, _ = tracer.render(s)
    return rgb, label


def _half(rgb: np.ndarray) -> np.ndarray:
    return np.minimum(np.nan_to_num(rgb), 8).astype(np.float16).transpose(2, 0, 1)


def render(tracer: Tracer, seed: int, more: int = 1) -> Sample | None:
    """Scene ``seed`` with ``more`` times the rays; None when no lever can be drawn."""
    g = np.random.default_rng(seed + 7_000_000)
    d: Drawn = draw(seed, hard=0.6, level=LEVEL)
    s = d.scene
    s.aperture *= 0.7
    s.motion[:] = [0, 0]
    x, y, z = tracer.highest(s, 0.03)
    if z < -50:
        return None
    if g.random() < _BEHIND and s.nouter <= len(s.outer) - 2:
        behind(s, g, (x, y, z))
    lever = g.random() > 0.04
    s.lever_on = int(lever)
    f = FRAME
    s.mode, s.spp, s.width, s.height = 1, f.rays * more, f.wide, f.high
    s.plane_y = y + g.normal(0, 0.4)
    near, far = edge_curves(s, d.notes["outline_radius"], s.plane_y)
    near_in, _ = edge_curves(s, d.notes["inner_radius"], s.plane_y)
    outer = np.fmax(near, far)
    tip = _in_plane(s, np.array([[x, y, z]]), s.plane_y)[0]
    line = _in_plane(s, np.array([[x, y, 0.0]]), s.plane_y)[0, 1]
    sides = side_ends(s, s.plane_y)
    ends = [np.nanmin(near), np.nanmax(outer), tip[1], line, *(sides[:, 0, 1] - 0.5)]
    upper, lower = max(ends) + 2.0, min(ends) - 2.5
    across, middle = 0.0, (lower + upper) / 2 + g.uniform(-1.5, 1.5)
    if f.around:
        across, middle = (float(v) + g.uniform(-0.2, 0.2) for v in tip)
    _aim(s, f.pitch, across, middle)
    if not f.around:
        s.row0 = max(0, int((s.pz0 - upper) / f.pitch))
        s.row1 = min(f.high - 1, int((s.pz0 - lower) / f.pitch))
    rgb, label, pos = tracer.render(s)
    far = _all_round(tracer, s, f, across, middle, more) if f.around else (rgb[:0], label[:0])
    seen = int(((label == 4) & (pos[..., 2] > z - 0.25)).sum()) if lever else 0
    c = s.cam
    e = math.degrees(math.atan2(c[2], math.hypot(c[0] - x, c[1] - y)))
    return Sample(
        _half(rgb),
        label,
        _half(far[0]),
        far[1],
        float(middle + (max(f.around, 1) * f.high - 1) / 2 * f.pitch),
        outer,
        near_in,
        (float(tip[0]), float(tip[1])),
        _apex(s, label == 4, float(tip[0])),
        seen,
        e,
        float(line),
        sides,
        f.pitch,
        across,
        f.around,
    )


def many(tracer: Tracer, first: int, count: int, seconds: float, more: int = 1) -> list[Sample]:
    """Up to ``count`` samples from seed ``first`` on, as far as ``seconds`` reach."""
    return made(lambda seed: render(tracer, seed, more), range(first, first + count), time.time() + seconds)


def made(make: Callable[[int], Made | None], seeds: range, end: float) -> list[Made]:
    """What ``make`` makes of ``seeds``, several at once, until the time ``end``."""

    def one(seed: int) -> Made | None:
        try:
            return make(seed) if time.time() < end else None
        except Exception as error:  # one scene less is better than no training
            print(f"scene {seed}: {error!r}", flush=True)
            return None

    with ThreadPoolExecutor(min(8, os.cpu_count() or 1)) as pool:
        return [s for s in pool.map(one, seeds) if s is not None]


def kept(folder: Path, count: int, part: int = 0, parts: int = 1) -> list[Sample]:
    """Up to ``count`` of the samples that :func:`main` left in ``folder``: the ``part``-th of ``parts`` shares."""
    out: list[Sample] = []
    for path in sorted(folder.glob("*.samples"), key=lambda p: p.name[::-1])[part::parts]:
        if len(out) < count:
            out += pickle.loads(path.read_bytes())
    return out[:count]


def main() -> None:
    """Render ``FIRST_SEED`` on until the count or the time is reached."""
    folder, first, count, seconds = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4])
    end = time.time() + seconds
    own = folder / f"{first}"
    own.mkdir(parents=True, exist_ok=True)
    tracer = Tracer(compile_tracer(own))
    made = 0
    for seed in range(first, first + count, _FILE):
        if time.time() > end:
            break
        some = many(tracer, seed, min(_FILE, first + count - seed), end - time.time())
        path = folder / f"{seed:09d}.tmp"
        path.write_bytes(pickle.dumps(some, protocol=5))
        path.replace(path.with_suffix(".samples"))
        made += len(some)
    print(f"{made} samples from {first}", flush=True)


if __name__ == "__main__":
    from samples import main as under_its_own_name  # what is pickled must not be told as __main__'s

    under_its_own_name()
