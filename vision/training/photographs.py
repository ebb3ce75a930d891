# mypy: ignore-errors
# ruff: noqa: T201
"""Cuts whole photographs for ``train.py``: ``python photographs.py OUT CUTS FOLDER ...``.

The FOLDERs are those of ``pictures.py``. What a network gets is cut by the code that measures, from where measuring
found target and rim, disturbed a little, CUTS times from each photograph; so a network can learn what simulated views
do not have: a real file's pixels, lens and errors of the pose. Leaves a ``.npz`` file a photograph in OUT.
"""

from __future__ import annotations

import json
import math
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from pictures import LEAST_SEEN
from sizes import STRIP, WINDOW

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from tests.bench.photos import setup_of
from vision import Refusal, adjust, closer, load_photo, rim
from vision.measuring import find_rim
from vision.optics import project

_RIM_SPREAD = (0.2, 0.3, math.radians(0.3), math.radians(0.15))
"""How far the rim is put wrong: across and in height (mm), its two tilts."""
TIP_SPREAD = (0.2, 0.1, *_RIM_SPREAD[2:])


@dataclass
class Shot:
    """A photograph: the unknowns as found and as they are, the problem, the lever's plane, where the tip is seen (px),
    and whether it is."""

    rgb: np.ndarray
    found: np.ndarray
    true: np.ndarray
    problem: adjust.Problem
    y: float
    tip: np.ndarray
    tip_seen: bool

    def disturbed(self, g: np.random.Generator, spread: tuple[float, ...]) -> np.ndarray:
        """Unknowns as measuring may have them on its way."""
        q = (self.found if g.random() < 0.6 else self.true).copy()
        q[[6, 8, 9, 10]] += g.normal(0, spread)
        return q


def shot(path: Path, record: dict) -> Shot | None:
    """A photograph and what is true of it; None where target or rim cannot be found or no lever is there."""
    truth, setup = record["truth"], setup_of(record["inputs"])
    if not truth["lever_present"] or "unknowns" not in truth or record["refuse_reason"] == "depth":
        return None
    photo = load_photo(path)
    found = find_rim(photo, setup)
    if isinstance(found, Refusal):
        return None
    true = np.array(truth["unknowns"])
    tip = project(np.array(truth["tip_card_mm"])[None], true[adjust.POSE], setup.camera)[0]
    seen = truth["tip_pixels_visible"] >= LEAST_SEEN
    return Shot(photo.rgb, found.q, true, found.problem, -setup.target.depth_offset_mm, tip, seen)


def strip(s: Shot, q: np.ndarray, near: bool) -> tuple[np.ndarray, np.ndarray]:
    """Input (6, 48, 512) of the edge network and the true rows (128,); nan: beyond the outline's ends."""
    channels, x, z = closer.edge_strip(s.rgb, q, s.problem, s.y, adjust.elevation(q, s.y), near)
    curve = closer.outline(s.true, s.problem, near)
    curve = closer.in_plane(adjust.to_pixels(curve, s.problem), q, s.problem, s.y)
    at = np.interp(x, curve[:, 0], curve[:, 1], left=np.nan, right=np.nan)
    return np.stack(channels), ((STRIP[0] - 1) / 2 - (at - z) / STRIP[2]).reshape(-1, 4).mean(1)


def window(s: Shot, q: np.ndarray, shift: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Input (10, 96, 96) of the tip network, its middle ``shift`` (2,) mm off, and the tip's row and column."""
    tip = closer.in_plane(s.tip[None], q, s.problem, s.y)[0]
    at = tip + shift
    curve = closer.outline_in_plane(q, s.problem, s.y, False)
    channels = closer.tip_windows(s.rgb, q, s.problem, s.y, at, curve, adjust.elevation(q, s.y))
    middle = (WINDOW[0] - 1) / 2
    place = np.array([middle - (tip[1] - at[1]) / WINDOW[2], middle + (tip[0] - at[0]) / WINDOW[2]])
    return np.stack(channels), place


def cuts(s: Shot, g: np.random.Generator, count: int) -> dict[str, np.ndarray]:
    """``count`` windows and strips of a photograph, with what is true of them."""
    out = {"window": [], "place": [], "strip": [], "row": []}
    may_near = adjust.elevation(s.true, s.y) > rim.NEAR_EDGE_DEG
    for k in range(count):
        shift = np.array([g.uniform(-1.8, 1.8), g.normal(0, 0.6)])
        made = [*window(s, s.disturbed(g, TIP_SPREAD), shift)]
        made += strip(s, s.disturbed(g, _RIM_SPREAD), bool(may_near and k % 2))
        for name, v in zip(out, made, strict=True):
            out[name].append(v.astype(np.float32 if v.ndim == 1 else np.float16))
    return {name: np.stack(v) for name, v in out.items()} | {"tip_seen": np.full(count, s.tip_seen)}


def _cut(job: tuple[Path, Path, dict, int]) -> bool:
    path, out, record, count = job
    cv2.setNumThreads(1)
    try:
        s = shot(path, record)
    except Exception as error:  # one photograph less is better than none
        print(f"{path}: {error!r}", flush=True)
        return False
    if s is not None:
        part = out / f"{path.stem}.part"
        with part.open("wb") as file:
            np.savez(file, **cuts(s, np.random.default_rng(int(path.stem[1:])), count))
        part.replace(out / f"{path.stem}.npz")
    return s is not None


def main() -> None:
    """As the module says."""
    began, out, count = time.time(), Path(sys.argv[1]), int(sys.argv[2])
    out.mkdir(parents=True, exist_ok=True)
    jobs = []
    for folder in map(Path, sys.argv[3:]):
        records = json.loads((folder / "truth.json").read_text())["pictures"]
        jobs += [(folder / f"{name}.jpg", out, record, count) for name, record in records.items()]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        made = sum(pool.map(_cut, jobs, chunksize=4))
    print(f"{made} of {len(jobs)} photographs cut in {time.time() - began:.0f} s", flush=True)


if __name__ == "__main__":
    from photographs import main as under_its_own_name  # what other processes get must not be told as __main__'s

    under_its_own_name()
