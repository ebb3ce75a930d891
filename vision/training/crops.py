# mypy: ignore-errors
"""Cuts out of simulated pictures what each network gets, with what it should say; its losses and figures."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import torch
import torch.nn.functional as nnf
from lens import Raster, calmed, develop, gauss
from samples import DOWN, GRID, Sample
from sizes import AROUND, SIDE, SIDE_FROM, STRIP, VIEW, WINDOW

COLUMNS = STRIP[1] // 4
CALM = 4
"""Of five scenes so many lose most of the tracer's noise, as pictures of other makes have none."""
_TOGETHER = 40
"""So many are taken over at once."""
_LEVEL_DEG = 0.25
"""How well measuring knows how high the camera stands when it asks a network."""


@dataclass
class Batch:
    """Samples as tensors on one device."""

    rgb: torch.Tensor
    label: torch.Tensor
    around_rgb: torch.Tensor
    around_label: torch.Tensor
    top: torch.Tensor
    outer: torch.Tensor
    inner: torch.Tensor
    tip: torch.Tensor
    apex: torch.Tensor
    seen: torch.Tensor
    elevation: torch.Tensor
    line: torch.Tensor
    sides: torch.Tensor
    middle: torch.Tensor
    pitch: float
    around: int

    @staticmethod
    def of(samples: list[Sample], device: str) -> Batch:
        """Stack samples."""

        def f(name: str) -> torch.Tensor:
            return torch.tensor(np.array([getattr(s, name) for s in samples]), dtype=torch.float32, device=device)

        def held(name: str) -> torch.Tensor:
            one = getattr(samples[0], name)
            out = torch.empty((len(samples), *one.shape), dtype=torch.from_numpy(one).dtype, device=device)
            for k in range(0, len(samples), _TOGETHER):
                some = out[k : k + _TOGETHER]
                some.copy_(torch.from_numpy(np.stack([getattr(s, name) for s in samples[k : k + _TOGETHER]])))
                if name.endswith("rgb") and one.size:
                    noisy = torch.arange(k, k + len(some), device=device) % 5 < CALM
                    some[noisy] = calmed(some[noisy])
            return out

        small = ("top", "outer", "inner", "tip", "apex", "seen", "elevation", "line", "sides", "middle")
        shown = ("rgb", "label", "around_rgb", "around_label")
        return Batch(*(held(k) for k in shown), *(f(k) for k in small), samples[0].pitch, samples[0].around)

    def pick(self, index: torch.Tensor, flip: bool) -> Batch:
        """Some of them, perhaps mirrored left to right, each with what is round it as one view."""
        b = replace(self, **{k: v[index] for k, v in vars(self).items() if isinstance(v, torch.Tensor)})
        if self.around:
            b.rgb, b.label = (
                _set_in(far, v, self.around) for far, v in ((b.around_rgb, b.rgb), (b.around_label, b.label))
            )
            b.around = 0
        if flip:
            b.rgb, b.label, b.outer, b.inner = (v.flip(-1) for v in (b.rgb, b.label, b.outer, b.inner))
            mirror = torch.tensor([-1.0, 1.0], device=b.tip.device)
            b.tip, b.apex, b.sides = b.tip * mirror, b.apex * mirror, b.sides.flip(1) * mirror
            b.middle = -b.middle
        return b

    def raster(self, clean: bool | None = None) -> Raster:
        """A simulated picture of them; whether by a sharp and noiseless camera is drawn if not said."""
        return develop(self.rgb, self.middle, self.top - (self.rgb.shape[2] - 1) / 2 * self.pitch, self.pitch, clean)

    def classes(self, x: torch.Tensor, z: torch.Tensor) -> torch.Tensor:
        """Classes (N, h, w) at places x, z (N, h, w) in mm."""
        h, w = self.label.shape[1:]
        i = ((x - self.middle.view(-1, 1, 1)) / self.pitch + (w - 1) / 2).round().long().clamp(0, w - 1)
        j = ((self.top.view(-1, 1, 1) - z) / self.pitch).round().long().clamp(0, h - 1)
        n = torch.arange(len(x), device=x.device).view(-1, 1, 1)
        return self.label[n, j, i].long()

    def curve(self, near: bool, x: torch.Tensor) -> torch.Tensor:
        """Height (N, M) of an outline at x (N, M), mm; nan beyond its reach."""
        table = self.inner if near else self.outer
        t = ((x - GRID[0]) / (GRID[1] - GRID[0])).clamp(0, len(GRID) - 1.001)
        k = t.long()
        a, b = torch.gather(table, 1, k), torch.gather(table, 1, k + 1)
        return a + (b - a) * (t - k)


def _set_in(far: torch.Tensor, near: torch.Tensor, times: int) -> torch.Tensor:
    """Views (N, C, H, W) made ``times`` as fine, with those of their middles (N, C, H, W) set in."""
    h, w = near.shape[-2:]
    if far.is_floating_point():
        whole = nnf.interpolate(far, scale_factor=times, mode="bilinear", align_corners=False)
    else:
        whole = far.repeat_interleave(times, -2).repeat_interleave(times, -1)
    i, j = (times - 1) * h // 2, (times - 1) * w // 2
    whole[..., i : i + h, j : j + w] = near
    return whole


def _const(v: torch.Tensor, h: int, w: int) -> torch.Tensor:
    return v.view(-1, 1, 1, 1).expand(-1, 1, h, w)


def _told_level(b: Batch) -> torch.Tensor:
    return (b.elevation + _LEVEL_DEG * torch.randn(len(b.top), device=b.top.device)) / 15


def view(b: Batch, r: Raster) -> tuple[torch.Tensor, torch.Tensor]:
    """Input (N, 3, 320, 544) and classes of the view network."""
    h, w, mm = VIEW
    n, dev = len(b.top), b.top.device
    j, i = torch.meshgrid(
        (h - 1) / 2 - torch.arange(h, device=dev), torch.arange(w, device=dev) - (w - 1) / 2, indexing="ij"
    )
    a = (torch.rand(n, 1, 1, device=dev) - 0.5) * 0.08
    k = mm * (1 + (torch.rand(n, 1, 1, device=dev) - 0.5) * 0.16)
    x = k * (torch.cos(a) * i - torch.sin(a) * j) + (torch.rand(n, 1, 1, device=dev) - 0.5) * 12
    z = k * (torch.sin(a) * i + torch.cos(a) * j) + (torch.rand(n, 1, 1, device=dev) - 0.5) * 12
    soft = r
    if mm / r.pitch > 1.3:
        s = 0.35 * float(np.sqrt((mm / r.pitch) ** 2 - 1))
        soft = replace(r, rgb=gauss(r.rgb, s, s))
    rgb, free = soft.at(x, z)
    return rgb, torch.where(free[:, 0] > 0.5, b.classes(x, z), torch.zeros_like(x, dtype=torch.long))


def strip(b: Batch, r: Raster, near: bool) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Input (N, 6, 48, 512) of the edge network, true rows (N, 128) and where they can be seen."""
    h, w, mm = STRIP
    n, dev = len(b.top), b.top.device
    table = b.inner if near else b.outer
    x0 = torch.tensor(GRID, dtype=torch.float32, device=dev)
    known = torch.isfinite(table)
    half = torch.where(known, x0.abs(), torch.zeros_like(table)).amax(1)
    part = (0.86 if near else 0.91) + 0.05 * torch.rand(n, device=dev)
    s = torch.linspace(-1, 1, w, device=dev).view(1, -1)
    x = s * (half * part).view(-1, 1) + 0.6 * (torch.rand(n, 1, device=dev) - 0.5)
    z = b.curve(near, x)
    wrong = torch.randn(n, 1, device=dev) * 0.3 + torch.randn(n, 1, device=dev) * 0.1 * s
    wrong = (wrong + torch.randn(n, 1, device=dev) * 0.15 * (s * s - 0.5)).clamp(-1.1, 1.1)
    row = (h - 1) / 2 + wrong / mm
    zz = (z + wrong).nan_to_num(0.0)[:, None, :] + ((h - 1) / 2 - torch.arange(h, device=dev)).view(1, -1, 1) * mm
    xx = x[:, None, :].expand(-1, h, -1)
    rgb, _ = r.at(xx, zz)
    zn = z.nan_to_num(0.0)
    _, free = r.at(x[:, None], zn[:, None])
    over, under = b.classes(x[:, None], zn[:, None] + 0.2)[:, 0], b.classes(x[:, None], zn[:, None] - 0.2)[:, 0]
    ok = torch.isfinite(z) & (free[:, 0, 0] > 0.5) & (under > 0) & (under < 4)
    ok &= torch.ones_like(ok) if near else (over != 4)
    ok &= b.elevation.view(-1, 1) > 0.7 if near else torch.ones_like(ok)
    inp = torch.cat(
        [
            rgb,
            _const(_told_level(b), h, w),
            s.view(1, 1, 1, -1).expand(n, 1, h, w),
            _const(torch.full((n,), float(near), device=dev), h, w),
        ],
        1,
    )
    row = row.view(n, COLUMNS, 4).mean(2)
    ok = ok.view(n, COLUMNS, 4).all(2) & (row > 0.5) & (row < h - 1.5)
    return inp, row, ok


@dataclass
class Aim:
    """What a window shows: the tip's true place (N, 2) row, column, and whether it can be seen; the place of the point
    that is seen highest, and whether it is in the window; where the lever is (N, 96, 96), and where that is known."""

    place: torch.Tensor
    ok: torch.Tensor
    apex: torch.Tensor
    apex_ok: torch.Tensor
    lever: torch.Tensor
    known: torch.Tensor

    @staticmethod
    def joined(many: list[Aim]) -> Aim:
        """All of them as one."""
        return Aim(*(torch.cat([getattr(a, k) for a in many]) for k in Aim.__dataclass_fields__))


def window(b: Batch, r: Raster) -> tuple[torch.Tensor, Aim]:
    """Input (N, 10, 96, 96) of the tip network and what it shows."""
    h, w, mm = WINDOW
    n, dev = len(b.top), b.top.device
    shift = (torch.rand(n, 2, device=dev) - 0.5) * 4.4
    centre = b.tip + shift
    wrong = 0.05 * torch.randn(n, 1, device=dev)

    def places(mm: float, k: int) -> tuple[torch.Tensor, torch.Tensor]:
        j, i = torch.meshgrid(
            (k * h - 1) / 2 - torch.arange(k * h, device=dev),
            torch.arange(k * w, device=dev) - (k * w - 1) / 2,
            indexing="ij",
        )
        return centre[:, 0].view(-1, 1, 1) + mm * i, centre[:, 1].view(-1, 1, 1) + mm * j

    def looked(x: torch.Tensor, z: torch.Tensor, reach: float) -> torch.Tensor:
        outline = b.curve(False, x[:, 0, :]) + wrong
        over = ((z - outline[:, None, :]) / reach).nan_to_num(0.0).clamp(-1, 1)
        return torch.cat([r.at(x, z)[0], over[:, None]], 1)

    x, z = places(mm, 1)
    near = looked(x, z, 2)
    far = nnf.avg_pool2d(looked(*places(AROUND * mm / 2, 2), 8), 2)
    level = _const(_told_level(b), h, w)
    inp = torch.cat([near[:, :3], level, near[:, 3:], far[:, :3], level, far[:, 3:]], 1)

    def seen_at(point: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        off = (point - centre).nan_to_num(99.0) / mm
        place = torch.stack([(h - 1) / 2 - off[:, 1], (w - 1) / 2 + off[:, 0]], 1)
        free = r.at(point[:, 0].nan_to_num(0.0).view(-1, 1, 1), point[:, 1].nan_to_num(0.0).view(-1, 1, 1))[1].view(-1)
        return place, (free > 0.5) & (place > 0).all(1) & (place < h - 1).all(1)

    place, ok = seen_at(b.tip)
    apex, apex_ok = seen_at(b.apex)
    known = r.at(x, z)[1][:, 0] > 0.5
    return inp, Aim(place, ok & (b.seen >= 5), apex, apex_ok & (b.seen >= 5), (b.classes(x, z) == 4).float(), known)


def side(b: Batch, r: Raster, right: bool) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Input (N, 5, 128, 48) of the side network, true row (N,) and whether it can be seen.

    The strip lies along a case's side that is expected up to 3.4 mm from where it is, a little too high or low, tilted
    and too large or small; its rows go outwards, its columns downwards from over the rim.
    """
    h, w, mm, step = SIDE
    n, dev = len(b.top), b.top.device

    def some(spread: float) -> torch.Tensor:
        return (torch.rand(n, 1, 1, device=dev) * 2 - 1) * spread

    at, down = b.sides[:, int(right), 0], b.sides[:, int(right), 1] - b.sides[:, int(right), 0]
    down = down / DOWN
    out = torch.stack([-down[:, 1], down[:, 0]], 1) * (1.0 if right else -1.0)
    wrong, tilt, shift, scale = some(3.4), some(0.03), some(0.3), 1 + some(0.06)
    below = (torch.arange(w, device=dev) * step - SIDE_FROM).view(1, 1, -1)
    told = below.expand(n, h, w)
    below = below * scale + shift
    across = (torch.arange(h, device=dev) - (h - 1) / 2).view(1, -1, 1) * mm * scale + wrong + tilt * (below - 0.8)
    place = [
        at[:, k].view(-1, 1, 1) + down[:, k].view(-1, 1, 1) * below + out[:, k].view(-1, 1, 1) * across for k in (0, 1)
    ]
    rgb, _ = r.at(*place)
    row = (h - 1) / 2 - (wrong / scale).view(-1) / mm
    deep = torch.linspace(0.6, 1.5, 10, device=dev).view(1, 1, -1)
    within = [
        at[:, k].view(-1, 1, 1) + down[:, k].view(-1, 1, 1) * deep - 0.25 * out[:, k].view(-1, 1, 1) for k in (0, 1)
    ]
    here = b.classes(*within)
    seen = (here > 0) & (here < 4) & (r.at(*within)[1][:, 0] > 0.5)
    inp = torch.cat([rgb, _const(b.elevation / 15, h, w), told[:, None] / 2], 1)
    return inp, row, seen.float().mean((1, 2)) > 0.7


def _soft(place: torch.Tensor, bins: int) -> torch.Tensor:
    """Targets (..., bins) that share a place between its two neighbours."""
    p = place.clamp(0, bins - 1.001)
    k = p.long()
    f = (p - k).unsqueeze(-1)
    one = nnf.one_hot(k, bins).float()
    return one * (1 - f) + nnf.one_hot(k + 1, bins).float() * f


def told(logp: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """Mean and standard deviation of log probabilities over the last axis, in bins."""
    p = logp.exp()
    k = torch.arange(p.shape[-1], device=p.device, dtype=p.dtype)
    mean = (p * k).sum(-1)
    return mean, ((p * k * k).sum(-1) - mean**2).clamp(min=0).sqrt()


def _ce(logp: torch.Tensor, place: torch.Tensor, ok: torch.Tensor) -> torch.Tensor:
    bins = logp.shape[-1]
    target = torch.where(ok.unsqueeze(-1), _soft(place, bins), torch.full_like(logp, 1 / bins))
    loss = -(target * logp).sum(-1)
    return (loss * torch.where(ok, 1.0, 0.25)).mean()


def view_loss(z: torch.Tensor, y: torch.Tensor) -> torch.Tensor:
    """Cross entropy, small classes weighted, plus overlap of lever and rim land."""
    ce = nnf.cross_entropy(z, y, weight=torch.tensor([1.0, 1.0, 3.0, 1.0, 4.0], device=z.device))
    p = z.softmax(1)
    dice = 0.0
    for c in (2, 4):
        t = (y == c).float()
        dice = dice + 1 - (2 * (p[:, c] * t).sum() + 50) / (p[:, c].sum() + t.sum() + 50)
    return ce + 0.3 * dice


def edge_scores(z: torch.Tensor) -> torch.Tensor:
    """Log probabilities (N, 128, 48) of the edge network's result (N, 1, 48, 128)."""
    return z[:, 0].transpose(1, 2).float().log_softmax(-1)


def tip_scores(z: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """Log probabilities of rows (N, 96) and columns (N, 96) of place scores (N, 1, 96, 96)."""
    n, _, h, w = z.shape
    p = z.float().reshape(n, -1).log_softmax(1).view(n, h, w)
    return p.logsumexp(2), p.logsumexp(1)


def side_scores(z: torch.Tensor) -> torch.Tensor:
    """Log probabilities (N, 128) of the side network's result (N, 1, 128, 1)."""
    return z[:, 0, :, 0].float().log_softmax(-1)


def side_loss(z: torch.Tensor, row: torch.Tensor, ok: torch.Tensor) -> torch.Tensor:
    """How surprising the true rows are."""
    return _ce(side_scores(z), row, ok)


def edge_loss(z: torch.Tensor, row: torch.Tensor, ok: torch.Tensor) -> torch.Tensor:
    """How surprising the true rows are."""
    return _ce(edge_scores(z), row, ok)


def row_loss(logp: torch.Tensor, row: torch.Tensor, ok: torch.Tensor) -> torch.Tensor:
    """How surprising true rows are, of those that can be seen."""
    loss = -(_soft(row, logp.shape[-1]) * logp).sum(-1)
    return (loss * ok).sum() / ok.sum().clamp(min=1)


def place_loss(told_by: tuple[torch.Tensor, torch.Tensor], place: torch.Tensor, ok: torch.Tensor) -> torch.Tensor:
    """How surprising true places (row, column) are by the scores of rows and columns; rows matter most."""
    return _ce(told_by[0], place[:, 0], ok) + 0.3 * _ce(told_by[1], place[:, 1], ok)


def tip_loss(z: torch.Tensor, aim: Aim) -> torch.Tensor:
    """How surprising the true place is, the place that is seen highest, and where the lever is."""
    loss = 0.0
    for k, share, place, ok in ((0, 1.0, aim.place, aim.ok), (2, 0.3, aim.apex, aim.apex_ok)):
        loss = loss + share * place_loss(tip_scores(z[:, k : k + 1]), place, ok)
    return loss + 0.3 * nnf.binary_cross_entropy_with_logits(z[:, 1], aim.lever, weight=aim.known.float())
