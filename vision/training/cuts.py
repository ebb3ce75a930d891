# mypy: ignore-errors
"""What ``photographs.py`` cut, as it is trained on: drawn at random, under other light, mirrored; its losses."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import torch
from crops import edge_scores, place_loss, row_loss, tip_scores, told
from lens import gauss
from sizes import STRIP, WINDOW

_SEEN = 4.0
"""Further (rows) from where the edge is told, beyond twice the told spread, something hides it."""
_KEPT_APART = 10
"""Every so many-th photograph is judged by, not trained on."""


class Cuts:
    """Windows (N, 10, 96, 96) with places (N, 2) and whether they show, strips (N, 6, 48, 512) with rows (N, 128)."""

    def __init__(
        self, folder: Path, nets: list[str], device: str, *, apart: bool, part: int = 0, parts: int = 1
    ) -> None:
        """What is needed for ``nets`` of all photographs in ``folder`` but those kept apart, or of these alone; of
        them the ``part``-th of ``parts`` shares."""
        paths = [p for k, p in enumerate(sorted(folder.glob("*.npz"))) if (k % _KEPT_APART == 0) == apart]
        paths = paths[part::parts]
        kinds = ["window", "place", "tip_seen"] if "tip" in nets else []
        kinds += ["strip", "row"] if "edge" in nets else []
        with ThreadPoolExecutor(8) as pool:
            held = list(pool.map(lambda path: {k: np.load(path)[k] for k in kinds}, paths))
        self.photographs = len(paths)
        self._all = {k: torch.cat([torch.from_numpy(one[k]).to(device) for one in held]) for k in kinds} if held else {}

    def some(self, count: int) -> dict[str, tuple[torch.Tensor, ...]]:
        """For each network that learns from them: ``count`` inputs, freshly photographed, and what is true of them."""
        return self._made(lambda n, device: torch.randint(0, n, (count,), device=device), fresh=True)

    def as_they_are(self, every: int) -> dict[str, tuple[torch.Tensor, ...]]:
        """The same of each ``every``-th cut, as it is."""
        return self._made(lambda n, device: torch.arange(0, n, every, device=device), fresh=False)

    def _made(
        self, which: Callable[[int, torch.device], torch.Tensor], *, fresh: bool
    ) -> dict[str, tuple[torch.Tensor, ...]]:
        out = {}
        if "window" in self._all:
            at = which(len(self._all["window"]), self._all["window"].device)
            x, place, seen = (self._all[k][at] for k in ("window", "place", "tip_seen"))
            x = other_light(x.float(), (0, 5)) if fresh else x.float()
            if fresh and bool(torch.rand(()) < 0.5):
                x, place = x.flip(-1), torch.stack([place[:, 0], WINDOW[1] - 1 - place[:, 1]], 1)
            ok = (place > 0.5).all(1) & (place < WINDOW[0] - 1.5).all(1) & seen
            out["tip"] = (x, place, ok)
        if "strip" in self._all:
            at = which(len(self._all["strip"]), self._all["strip"].device)
            x, row = self._all["strip"][at].float(), self._all["row"][at]
            x = other_light(x, (0,)) if fresh else x
            if fresh and bool(torch.rand(()) < 0.5):
                x, row = x.flip(-1), row.flip(-1)
                x[:, 4] = -x[:, 4]
            out["edge"] = (x, row, torch.isfinite(row) & (row > 1) & (row < STRIP[0] - 2))
        return out


def other_light(x: torch.Tensor, firsts: tuple[int, ...]) -> torch.Tensor:
    """The same places (N, C, H, W) under other exposure; ``firsts``: the channels at which their colours begin, the
    first of which get other blur and noise too."""
    n, device = len(x), x.device

    def drawn(low: float, high: float, width: int = 1) -> torch.Tensor:
        return low + (high - low) * torch.rand(n, width, 1, 1, device=device)

    gain = drawn(-0.25, 0.2).exp() * (1 + drawn(-0.06, 0.06, 3))
    gamma = drawn(-0.15, 0.15).exp()
    x = x.clone()
    for first in firsts:
        x[:, first : first + 3] = (x[:, first : first + 3] * gain).clamp(1e-4, 1) ** gamma
    near = x[:, firsts[0] : firsts[0] + 3]
    width = float(0.3 + 0.6 * torch.rand(()))
    near = torch.where(drawn(0, 1) < 0.2, gauss(near, width, width), near)
    strength = torch.where(drawn(0, 1) < 0.35, drawn(0, 1) ** 2 * 0.03, torch.zeros(n, 1, 1, 1, device=device))
    near = near + strength * torch.randn_like(near) * near.clamp(0.05, 1).sqrt()
    x[:, firsts[0] : firsts[0] + 3] = near.clamp(0, 1)
    return x


def cut_loss(name: str, z: torch.Tensor, true: torch.Tensor, ok: torch.Tensor) -> torch.Tensor:
    """How surprising what is true of photographs is by a network's answers."""
    if name == "tip":
        return place_loss(tip_scores(z[:, :1]), true, ok)
    logp = edge_scores(z)
    mean, spread = (v.detach() for v in told(logp))
    return row_loss(logp, true.nan_to_num(1.0), ok & ((mean - true).abs() < _SEEN + 2 * spread))


def cut_figures(nets: torch.nn.ModuleDict, cuts: Cuts) -> str:
    """How well photographs are told that were not trained on (mm): the tip's height, the mean of an outline."""
    out = []
    for name, (x, true, ok) in cuts.as_they_are(4).items():
        z = torch.cat([nets[name](part) for part in x.split(64)])
        if name == "tip":
            mean, _ = told(tip_scores(z[:, :1])[0])
            off = ((mean - true[:, 0]) * WINDOW[2])[ok]
        else:
            mean, spread = told(edge_scores(z))
            ok = ok & ((mean - true).abs() < _SEEN + 2 * spread)
            weight = torch.where(ok, 1 / (spread**2 + 0.25), torch.zeros_like(spread))
            off = ((mean - true).nan_to_num(0.0) * weight).sum(1) / weight.sum(1).clamp(min=1e-6) * STRIP[2]
            off = off[ok.sum(1) > 40]
        far = off.abs()
        if len(far):
            out.append(f"{name} {far.median():.4f} {far.quantile(0.9):.4f} middle {off.median():+.4f}")
    return " ".join(out)
