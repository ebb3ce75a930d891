# mypy: ignore-errors
# ruff: noqa: T201
"""Draws of photographs only what the tip network gets: ``python glimpses.py OUT FIRST_SEED COUNT SECONDS``.

Whole photographs of ``pictures.py`` take several times as long. Here a camera's pixels, lens, sharpening and JPEG are
the same, the windows are cut by the same code that measures, but unknowns are those of the truth, disturbed. Leaves
``.npz`` files in OUT for ``train.py`` (``SEE_CUTS``), each with the windows of some scenes. ``SEE_LEVEL`` as for
``samples.py``.
"""

from __future__ import annotations

import io
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
from photographs import TIP_SPREAD, Shot, window
from pictures import LEAST_SEEN, QUICK, card_to_world, develop, filed, traced, unknowns_of
from PIL import Image
from samples import LEVEL, behind, made
from scenes import Drawn, Tracer, compile_tracer, draw

from vision import adjust, rim
from vision.model import Camera, Geometry
from vision.optics import project

_WIDTHS = ((800, 1000, 1280, 1600, 2000, 2600), (0.08, 0.12, 0.35, 0.25, 0.14, 0.06))
_HALF_MM = 18.5
"""So far to each side of the tip its windows reach, put wrong as they are, and a little more."""
_TAKEN, _CUT = 2, 2
"""How often each scene is photographed, and how many windows are cut from each photograph."""
_COARSER = 12
"""The whole picture's light is told by one so many times as small."""
_FILE = 40
_BEHIND = 0.2
"""So often something stands behind the lever that may be taken for it."""
_OFF_MM = 0.3
"""How far before or behind the tip the lever's plane is taken to lie."""


def _brightness(tracer: Tracer, d: Drawn) -> float:
    """What the brightest tenth of the whole picture begins at."""
    s = type(d.scene).from_buffer_copy(d.scene)
    k = _COARSER
    s.width, s.height, s.fx, s.fy, s.cx, s.cy = s.width // k, s.height // k, s.fx / k, s.fy / k, s.cx / k, s.cy / k
    s.spp, s.aperture = 4, 0.0
    return float(np.percentile(tracer.render(s)[0], 90))


def _narrowed(d: Drawn, px: np.ndarray, reach: float) -> bool:
    """Keep of the picture what lies within ``reach`` pixels of ``px``; whether anything is left."""
    s = d.scene
    low = np.maximum(np.floor(px - reach), 0).astype(int)
    high = np.minimum(np.ceil(px + reach), [s.width, s.height]).astype(int)
    s.cx, s.cy = s.cx - low[0], s.cy - low[1]
    s.width, s.height = (max(int(v), 1) for v in high - low)
    return bool((high - low > 64).all())


def _camera(d: Drawn) -> Camera:
    s = d.scene
    k = np.array([[s.fx, 0, s.cx], [0, s.fy, s.cy], [0, 0, 1]])
    return Camera(k, np.array([s.k1, s.k2, 0, 0, 0]), (s.width, s.height))


def _problem(d: Drawn, true: np.ndarray) -> adjust.Problem:
    """What the measuring code needs to carry places of the lever's plane into the picture."""
    turn = rim.upright(true[adjust.POSE], true[adjust.CENTRE])
    seen = SimpleNamespace(card=np.zeros((0, 2)))
    return adjust.Problem(seen, _camera(d), Geometry(rim_diameter_mm=d.rim_diameter), turn, 0.01)


def _taken(rgb: np.ndarray, g: np.random.Generator, hard: bool, bright: float) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(filed(*develop(rgb, g, hard, bright)))).convert("RGB"))


def glimpse(tracer: Tracer, seed: int) -> dict[str, np.ndarray] | None:
    """Windows (N, 10, 96, 96) round the tip of scene ``seed``, the tip's row and column in each, and whether it is
    seen; None where no setup would allow the tip to stand."""
    g = np.random.default_rng(seed + 77)
    hard = bool(g.random() < 0.8)
    wide = int(g.choice(_WIDTHS[0], p=_WIDTHS[1]))
    d = draw(seed, hard=1.0 if hard else 0.0, size=(wide, wide * 3 // 4), level=LEVEL)
    s = d.scene
    top = tracer.highest(s, 0.03)
    if not np.hypot(*top[:2]) < 6.5:
        return None
    if g.random() < _BEHIND and s.nouter <= len(s.outer) - 2:
        behind(s, g, top)
    s.quick = s.quick or QUICK
    turn, at = card_to_world(s)
    tip = turn.T @ (np.array(top) - at)
    bright = _brightness(tracer, d)
    true = np.array(unknowns_of(d))
    scale = s.fx / np.linalg.norm(np.array(s.cam[:]) - top)
    if not _narrowed(d, project(tip[None], true[adjust.POSE], _camera(d))[0], _HALF_MM * scale):
        return None
    s.spp = 0
    _, label, pos = tracer.render(s)
    seen = int(((label == 4) & (pos[..., 2] > top[2] - 0.25)).sum())
    problem = _problem(d, true)
    px = project(tip[None], true[adjust.POSE], problem.camera)[0]
    rgb = traced(tracer, d)
    out = {"window": [], "place": []}
    for _ in range(_TAKEN):
        shot = Shot(_taken(rgb, g, hard, bright), true, true, problem, float(tip[1] + g.normal(0, _OFF_MM)), px, True)
        for _ in range(_CUT):
            shift = np.array([g.uniform(-1.8, 1.8), g.normal(0, 0.6)])
            for name, v in zip(out, window(shot, shot.disturbed(g, TIP_SPREAD), shift), strict=True):
                out[name].append(v.astype(np.float32 if v.ndim == 1 else np.float16))
    windows = {name: np.stack(v) for name, v in out.items()}
    return windows | {"tip_seen": np.full(_TAKEN * _CUT, seen >= LEAST_SEEN)}


def main() -> None:
    """Draw until the count or the time is reached."""
    out, first, count, end = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), time.time() + float(sys.argv[4])
    cv2.setNumThreads(1)
    own = out / f"{first}"
    own.mkdir(parents=True, exist_ok=True)
    tracer, drawn = Tracer(compile_tracer(own)), 0
    for seed in range(first, first + count, _FILE):
        if time.time() > end:
            break
        some = made(lambda k: glimpse(tracer, k), range(seed, min(seed + _FILE, first + count)), end)
        if some:
            part = out / f"{seed:09d}.part"
            with part.open("wb") as file:
                np.savez(file, **{k: np.concatenate([one[k] for one in some]) for k in some[0]})
            part.replace(part.with_suffix(".npz"))
        drawn += len(some)
    print(f"{drawn} scenes from {first}", flush=True)


if __name__ == "__main__":
    main()
