# mypy: ignore-errors
# ruff: noqa: T201
"""Goes on training networks on whole photographs: ``python photographs.py OUT SECONDS CHECKPOINT ... -- FOLDER ...``.

The FOLDERs are those of ``pictures.py``. What a network gets is cut by the code that measures, from where measuring
found target and rim, disturbed a little; so it learns what simulated views do not have: a real file's pixels, lens and
errors of the pose. ``SEE_NETS`` names the networks (``tip,tip_near,edge``). Some hundred photographs and half an hour
on one core are enough to see it. What is kept is the running mean of the weights; normalisation stays as it was.
"""

from __future__ import annotations

import copy
import json
import math
import os
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from crops import edge_scores, place_loss, row_loss, tip_scores, told
from nets import INPUT_SIZE, STRIP, WINDOW, make, take_over
from train import follow_weights

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from tests.bench.photos import setup_of
from vision import adjust, closer, load_photo, measuring, rim
from vision.optics import project

NETS = os.environ.get("SEE_NETS", "tip,tip_near,edge").split(",")
RATE, BATCH, KEEPS = float(os.environ.get("SEE_RATE", "2e-4")), int(os.environ.get("SEE_BATCH", "12")), 0.98
_RIM_SPREAD = (0.2, 0.3, math.radians(0.3), math.radians(0.15))
"""How far the rim is put wrong: across and in height (mm), its two tilts."""
_TIP_SPREAD = (0.2, 0.1, *_RIM_SPREAD[2:])
_SEEN = 4.0
"""Further (rows) from where the edge is told, beyond twice the told spread, something hides it."""


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
    if not truth["lever_present"] or "unknowns" not in truth:
        return None
    photo, y = load_photo(path), -setup.target.depth_offset_mm
    try:
        pose = measuring._pose(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), setup, setup.camera)
        view = measuring._view(photo, pose, setup.camera, y)
        found = measuring._rim(photo.rgb, pose, view, setup, setup.camera, measuring.Pixels())
    except measuring._Refused:
        return None
    true = np.array(truth["unknowns"])
    tip = project(np.array(truth["tip_card_mm"])[None], true[adjust.POSE], setup.camera)[0]
    return Shot(photo.rgb, found.q, true, found.problem, y, tip, truth["tip_pixels_visible"] >= 5)


def shots(folder: Path) -> list[Shot]:
    """All photographs of a folder that can be used."""
    records = json.loads((folder / "truth.json").read_text())["pictures"]
    made = [shot(folder / f"{name}.jpg", r) for name, r in records.items() if r["refuse_reason"] != "depth"]
    return [s for s in made if s is not None]


def other_light(channels: list[np.ndarray], g: np.random.Generator, colours: tuple[int, ...]) -> list[np.ndarray]:
    """The same place under other exposure; the first three of its ``colours`` with other blur and noise too."""
    gain = np.exp(g.uniform(-0.25, 0.2)) * (1 + g.uniform(-0.06, 0.06, 3))
    gamma = np.exp(g.uniform(-0.15, 0.15))
    blur = g.uniform(0.3, 0.9) if g.random() < 0.2 else 0.0
    noise = g.random() ** 2 * 0.03 if g.random() < 0.35 else 0.0
    out = list(channels)
    for k in colours:
        c = np.clip(np.clip(channels[k] * gain[k % 5], 0, 1) ** gamma, 0, 1)
        if k < 3:
            c = cv2.GaussianBlur(c, (0, 0), blur) if blur else c
            c = c + noise * g.normal(size=c.shape) * np.sqrt(np.clip(c, 0.05, 1))
        out[k] = np.clip(c, 0, 1)
    return out


def strip(s: Shot, g: np.random.Generator, q: np.ndarray, near: bool) -> tuple[np.ndarray, np.ndarray]:
    """Input (6, 48, 512) of the edge network and the true rows (128,); nan: beyond the outline's ends."""
    channels, x, z = closer.edge_strip(s.rgb, q, s.problem, s.y, adjust.elevation(q, s.y), near)
    curve = closer.outline(s.true, s.problem, near)
    curve = closer.in_plane(adjust.to_pixels(curve, s.problem), q, s.problem, s.y)
    at = np.interp(x, curve[:, 0], curve[:, 1], left=np.nan, right=np.nan)
    row = ((STRIP[0] - 1) / 2 - (at - z) / STRIP[2]).reshape(-1, 4).mean(1)
    channels = other_light(channels, g, (0, 1, 2))
    if g.random() < 0.5:
        channels, row = [c[:, ::-1] for c in channels], row[::-1]
        channels[4] = -channels[4]
    return np.stack(channels).astype(np.float32), row


def window(s: Shot, g: np.random.Generator, q: np.ndarray) -> tuple[np.ndarray, tuple[float, float]]:
    """Input (10, 96, 96) of the tip network and the tip's row and column."""
    tip = closer.in_plane(s.tip[None], q, s.problem, s.y)[0]
    at = tip + np.array([g.uniform(-1.8, 1.8), g.normal(0, 0.6)])
    curve = closer.outline_in_plane(q, s.problem, s.y, False)
    near, far = closer.tip_windows(s.rgb, q, s.problem, s.y, at, curve, adjust.elevation(q, s.y))
    middle = (WINDOW[0] - 1) / 2
    row, column = middle - (tip[1] - at[1]) / WINDOW[2], middle + (tip[0] - at[0]) / WINDOW[2]
    channels = other_light([*near, *far], g, (0, 1, 2, 5, 6, 7))
    if g.random() < 0.5:
        channels, column = [c[:, ::-1] for c in channels], 2 * middle - column
    return np.stack(channels).astype(np.float32), (row, column)


def losses(nets: torch.nn.ModuleDict, some: list[Shot], g: np.random.Generator) -> dict[str, torch.Tensor]:
    """What each network's answers to a few photographs cost."""
    out = {}
    tips = [name for name in ("tip", "tip_near") if name in nets]
    if tips:
        cut = [window(s, g, s.disturbed(g, _TIP_SPREAD)) for s in some]
        x, place = torch.tensor(np.stack([c for c, _ in cut])), torch.tensor([p for _, p in cut]).float()
        ok = (place > 0.5).all(1) & (place < WINDOW[0] - 1.5).all(1) & torch.tensor([s.tip_seen for s in some])
        for name in tips:
            out[name] = place_loss(tip_scores(nets[name](x[:, : INPUT_SIZE[name][0]])[:, :1]), place, ok)
    if "edge" in nets:
        cut = []
        for s in some:
            near = g.random() < 0.5 and adjust.elevation(s.true, s.y) > rim._NEAR_EDGE_DEG
            cut.append(strip(s, g, s.disturbed(g, _RIM_SPREAD), bool(near)))
        x, row = torch.tensor(np.stack([c for c, _ in cut])), torch.tensor(np.stack([r for _, r in cut])).float()
        logp = edge_scores(nets["edge"](x))
        mean, spread = (v.detach() for v in told(logp))
        ok = ((mean - row).abs() < _SEEN + 2 * spread) & (row > 1) & (row < STRIP[0] - 2)
        out["edge"] = row_loss(logp, row.nan_to_num(1.0), ok)
    return out


def main() -> None:
    """As the module says."""
    cv2.setNumThreads(1)
    split = sys.argv.index("--")
    out, seconds = Path(sys.argv[1]), float(sys.argv[2])
    out.mkdir(parents=True, exist_ok=True)
    nets = make()
    for start in sys.argv[3:split]:
        take_over(nets, torch.load(start, map_location="cpu")["nets"])
    nets = torch.nn.ModuleDict({name: nets[name] for name in NETS}).eval()
    g = np.random.default_rng(int(os.environ.get("SEE_SEED", "1")))
    data = [s for folder in sys.argv[split + 1 :] for s in shots(Path(folder))]
    print(f"{len(data)} photographs", flush=True)
    opt = torch.optim.AdamW(nets.parameters(), RATE, weight_decay=1e-3)
    mean, began, steps, spent = copy.deepcopy(nets), time.time(), 0, []

    def save() -> None:
        torch.save({"nets": mean.state_dict(), "runs": 0, "steps": steps, "scenes": len(data)}, out / "networks.pt")

    while (gone := time.time() - began) < seconds:
        for group in opt.param_groups:
            group["lr"] = RATE * min(1, (steps + 1) / 30) * (0.5 + 0.5 * math.cos(math.pi * gone / seconds))
        opt.zero_grad()
        loss = losses(nets, [data[k] for k in g.integers(0, len(data), BATCH)], g)
        sum(loss.values()).backward()
        torch.nn.utils.clip_grad_norm_(nets.parameters(), 2.0)
        opt.step()
        steps += 1
        spent.append([float(v.detach()) for v in loss.values()])
        follow_weights(mean, nets, steps, KEEPS)
        if steps % 50 == 0:
            now = dict(zip(loss, np.mean(spent[-50:], 0).round(4), strict=True))
            print(f"{gone:.0f} s  step {steps} {now}", flush=True)
            save()
    save()


if __name__ == "__main__":
    main()
