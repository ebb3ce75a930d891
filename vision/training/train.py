# mypy: ignore-errors
# ruff: noqa: T201
"""Trains the network of ``vision.segment`` on scenes drawn by ``scenes.py``; needs a GPU, nvcc and torch.

    python train.py OUT_FOLDER [scenes] [seconds]

Leaves ``segment.onnx`` (input 1x3x320x544 in 0..1, RGB; output 1x5x320x544 logits) and ``train.log``.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
import torch.nn.functional as nnf
from scenes import Tracer, compile_tracer, draw
from torch import nn

HEIGHT, WIDTH, MM = 320, 544, 0.16
MARGIN = 32


def block(a: int, b: int) -> nn.Sequential:
    """Two 3x3 convolutions with normalisation."""
    return nn.Sequential(
        nn.Conv2d(a, b, 3, padding=1, bias=False),
        nn.BatchNorm2d(b),
        nn.ReLU(),
        nn.Conv2d(b, b, 3, padding=1, bias=False),
        nn.BatchNorm2d(b),
        nn.ReLU(),
    )


class Net(nn.Module):
    """A small encoder-decoder, 6 levels."""

    def __init__(self, ch: tuple[int, ...] = (8, 16, 32, 48, 64, 80), classes: int = 5) -> None:
        super().__init__()
        self.down = nn.ModuleList(block(a, b) for a, b in zip((3, *ch[:-1]), ch, strict=True))
        self.up = nn.ModuleList(block(a + b, b) for a, b in zip(ch[:0:-1], ch[-2::-1], strict=True))
        self.head = nn.Conv2d(ch[0], classes, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """(N, 3, H, W) to (N, classes, H, W)."""
        skips = []
        for i, f in enumerate(self.down):
            x = f(x if i == 0 else nnf.max_pool2d(x, 2))
            skips.append(x)
        for f, s in zip(self.up, skips[-2::-1], strict=True):
            x = f(torch.cat([nnf.interpolate(x, scale_factor=2, mode="nearest"), s], 1))
        out: torch.Tensor = self.head(x)
        return out


def crop_scene(seed: int, spp: int) -> Any:
    """Scene ``seed`` seen as the rectified crop that the network gets, with margin."""
    g = np.random.default_rng(seed + 7_000_000)
    d = draw(seed, hard=0.7)
    s = d.scene
    s.mode, s.spp, s.mmpp = 1, spp, MM
    s.width, s.height = WIDTH + 2 * MARGIN, HEIGHT + 2 * MARGIN
    s.plane_y = s.lorg[1] + g.normal(0, 1.5)
    s.px0 = -s.width * MM / 2 + g.normal(0, 4)
    s.pz0 = s.height * MM / 2 + g.normal(0, 6)
    s.motion[:] = [0, 0]
    if g.random() < 0.05:
        s.lever_on = 0
    return s


def make(tracer: Tracer, count: int, first: int, spp: int, budget: float) -> tuple[torch.Tensor, torch.Tensor]:
    """Up to ``count`` crops: linear colours (N, 3, H, W) half precision and classes (N, H, W), on the GPU."""
    xs, ys, t = [], [], time.time()
    for k in range(count):
        rgb, label, _ = tracer.render(crop_scene(first + k, spp))
        xs.append(torch.from_numpy(np.minimum(rgb, 8)).half().permute(2, 0, 1).cuda())
        ys.append(torch.from_numpy(label).cuda())
        if time.time() - t > budget:
            break
    return torch.stack(xs), torch.stack(ys)


def _u(n: int, a: float, b: float) -> torch.Tensor:
    return torch.rand(n, 1, 1, 1, device="cuda") * (b - a) + a


def _gauss(x: torch.Tensor, sx: float, sy: float) -> torch.Tensor:
    r = int(3 * max(sx, sy)) + 1
    t = torch.arange(-r, r + 1, device="cuda", dtype=torch.float32)
    for s, dim in ((sx, 3), (sy, 2)):
        if s < 0.05:
            continue
        k = torch.exp(-0.5 * (t / s) ** 2)
        k = (k / k.sum()).view(1, 1, 1, -1) if dim == 3 else (k / k.sum()).view(1, 1, -1, 1)
        pad = (r, r, 0, 0) if dim == 3 else (0, 0, r, r)
        x = nnf.conv2d(nnf.pad(x, pad, mode="replicate"), k.repeat(x.shape[1], 1, 1, 1), groups=x.shape[1])
    return x


def augment(x: torch.Tensor, y: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """What a camera does to the picture: pose, exposure, colour cast, blur, noise, sharpening, occlusion."""
    n = x.shape[0]
    a, sc = _u(n, -0.07, 0.07).view(n), 1 + _u(n, -0.08, 0.08).view(n)
    flip = (torch.rand(n, device="cuda") < 0.5).float() * -2 + 1
    h, w = x.shape[2:]
    th = torch.zeros(n, 2, 3, device="cuda")
    kx, ky = WIDTH / w, HEIGHT / h
    th[:, 0, 0], th[:, 0, 1] = sc * torch.cos(a) * kx * flip, -sc * torch.sin(a) * ky * h / w
    th[:, 1, 0], th[:, 1, 1] = sc * torch.sin(a) * kx * w / h * flip, sc * torch.cos(a) * ky
    th[:, :, 2] = torch.rand(n, 2, device="cuda") * 0.08 - 0.04
    grid = nnf.affine_grid(th, [n, 3, HEIGHT, WIDTH], align_corners=False)
    x = nnf.grid_sample(x.float(), grid, align_corners=False, padding_mode="border")
    y = nnf.grid_sample(y[:, None].float(), grid, mode="nearest", align_corners=False, padding_mode="border")[
        :, 0
    ].long()
    if torch.rand(()) < 0.15:  # a hand or a hose before the case
        for i in range(n):
            if torch.rand(()) < 0.4:
                cx, cy = torch.randint(0, WIDTH, ()).item(), torch.randint(0, HEIGHT, ()).item()
                xx = torch.arange(WIDTH, device="cuda").view(1, -1) - cx
                yy = torch.arange(HEIGHT, device="cuda").view(-1, 1) - cy
                r = torch.rand(2, device="cuda") * 50 + 10
                m = (xx / r[0]) ** 2 + (yy / r[1]) ** 2 < 1
                x[i] = torch.where(m, torch.rand(3, 1, 1, device="cuda") * 0.6, x[i])
                y[i] = torch.where(m, torch.zeros_like(y[i]), y[i])
    x = x * torch.exp(_u(n, -0.9, 0.7)) * (1 + (torch.rand(n, 3, 1, 1, device="cuda") - 0.5) * 0.25)
    heavy = float(torch.rand(())) ** 2
    s = heavy * 3.5
    x = _gauss(x, s * float(torch.rand(())) if torch.rand(()) < 0.3 else s, s)
    x = x.clamp(0, 1) ** (1 / _u(n, 1.8, 2.6))
    noise = torch.randn_like(x)
    noise = torch.where(_u(n, 0, 1) < 0.6, _gauss(noise, 0.8, 0.8) * 2.5, noise)
    x = x + noise * _u(n, 0, 1) ** 2 * 0.06
    x = x + (x - _gauss(x, 1.3, 1.3)) * _u(n, -0.2, 1.0).clamp(min=0)
    grey = x.mean(1, keepdim=True)
    x = grey + (x - grey) * _u(n, 0.2, 1.4)
    return x.clamp(0, 1), y


def loss_of(z: torch.Tensor, y: torch.Tensor) -> torch.Tensor:
    """Cross entropy, small classes weighted, plus overlap of lever and rim land."""
    wt = torch.tensor([1.0, 1.0, 3.0, 1.0, 4.0], device="cuda")
    ce = nnf.cross_entropy(z, y, weight=wt)
    p = z.softmax(1)
    dice = 0.0
    for c in (2, 4):
        t = (y == c).float()
        dice = dice + 1 - (2 * (p[:, c] * t).sum() + 50) / (p[:, c].sum() + t.sum() + 50)
    return ce + 0.3 * dice


def main() -> None:
    """Render, train, export."""
    out = Path(sys.argv[1])
    count, seconds = int(sys.argv[2]), float(sys.argv[3])
    lib = compile_tracer(out)
    log = (out / "train.log").open("w", buffering=1)
    tracer = Tracer(lib)
    t = time.time()
    xv, yv = make(tracer, 160, 900_000, 64, 60)
    x, y = make(tracer, count, 0, 40, float(sys.argv[4]))
    lib.unlink()
    print(f"{len(x)} + {len(xv)} scenes in {time.time() - t:.0f} s", file=log)
    print(f"{len(x)} + {len(xv)} scenes in {time.time() - t:.0f} s", flush=True)
    torch.manual_seed(1)
    net = Net().cuda().to(memory_format=torch.channels_last)
    opt = torch.optim.AdamW(net.parameters(), 3e-3, weight_decay=1e-2)
    t, step = time.time(), 0
    while (gone := time.time() - t) < seconds:
        for g in opt.param_groups:
            g["lr"] = 3e-3 * min(1, step / 200) * (0.5 + 0.5 * np.cos(np.pi * gone / seconds)) + 1e-6
        i = torch.randint(0, len(x), (16,), device="cuda")
        a, b = augment(x[i], y[i])
        with torch.autocast("cuda", torch.bfloat16):
            z = net(a.to(memory_format=torch.channels_last))
        loss = loss_of(z.float(), b)
        opt.zero_grad(set_to_none=True)
        loss.backward()
        opt.step()
        step += 1
        if step % 1000 == 0:
            print(f"{step} {gone:.0f}s loss {loss.item():.4f}", file=log)
    net.eval()
    torch.manual_seed(2)
    inter, union = np.zeros(5), np.zeros(5)
    with torch.no_grad():
        for k in range(0, len(xv), 16):
            a, b = augment(xv[k : k + 16], yv[k : k + 16])
            p = net(a).argmax(1)
            for c in range(5):
                inter[c] += ((p == c) & (b == c)).sum().item()
                union[c] += ((p == c) | (b == c)).sum().item()
    msg = f"{step} steps, IoU on scenes not trained on: {np.round(inter / union, 4)}"
    print(msg, file=log)
    print(msg, flush=True)
    net = net.cpu().float().to(memory_format=torch.contiguous_format)
    torch.onnx.export(
        net,
        (torch.zeros(1, 3, HEIGHT, WIDTH),),
        str(out / "segment.onnx"),
        input_names=["rgb"],
        output_names=["classes"],
        opset_version=13,
        dynamo=False,
    )
    torch.save(net.state_dict(), out / "segment.pt")


if __name__ == "__main__":
    main()
