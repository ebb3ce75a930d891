# mypy: ignore-errors
# ruff: noqa: T201
"""Trains the networks of ``vision`` on scenes drawn by ``scenes.py``: ``python train.py OUT SECONDS [CHECKPOINT]``.

Half of the time goes into rendering, half into training. Leaves ``networks.pt`` and ``train.log`` in OUT; a run that is
cut off leaves what it had a minute before. ``python train.py OUT 0 networks.pt`` only writes the ``.onnx`` files. Wants
a GPU and nvcc.
"""

from __future__ import annotations

import math
import os
import sys
import time
from pathlib import Path

import numpy as np
import torch
from crops import Batch, edge_loss, edge_scores, strip, tip_loss, tip_scores, told, view, view_loss, window
from nets import INPUT_SIZE, STRIP, WINDOW, make
from samples import many
from scenes import Tracer, compile_tracer

DEVICE = "cuda" if torch.cuda.is_available() else "cpu"
SPP = int(os.environ.get("SEE_SPP", "16"))
VALIDATION, COUNT_VALIDATION = 9_000_000, int(os.environ.get("SEE_VALID", "128"))
BATCH = int(os.environ.get("SEE_BATCH", "12"))


def export(nets: torch.nn.ModuleDict, out: Path) -> None:
    """Write ``segment.onnx``, ``edge.onnx``, ``tip.onnx``."""
    for name, net in nets.items():
        still = net.cpu().float().eval().to(memory_format=torch.contiguous_format)
        torch.onnx.export(
            still,
            (torch.zeros(1, *INPUT_SIZE[name]),),
            str(out / f"{name}.onnx"),
            input_names=["picture"],
            output_names=["scores"],
            opset_version=13,
            dynamo=False,
        )


def figures(nets: torch.nn.ModuleDict, data: Batch) -> str:
    """How well scenes are told that were not trained on."""
    nets.eval()
    torch.manual_seed(2)
    inter, union = np.zeros(5), np.zeros(5)
    edge: dict[bool, list[np.ndarray]] = {False: [], True: []}
    tip: list[np.ndarray] = []
    with torch.no_grad():
        for k in range(0, len(data.top), BATCH):
            b = data.pick(torch.arange(k, min(k + BATCH, len(data.top)), device=DEVICE), False)
            r = b.raster()
            x, y = view(b, r)
            p = nets["segment"](x).argmax(1)
            for c in range(5):
                inter[c] += ((p == c) & (y == c)).sum().item()
                union[c] += ((p == c) | (y == c)).sum().item()
            for near in (False, True):
                x, row, ok = strip(b, r, near)
                mean, sd = told(edge_scores(nets["edge"](x)))
                w = torch.where(ok, 1 / (sd**2 + 0.25), torch.zeros_like(sd))
                err = ((mean - row) * w).sum(1) / w.sum(1).clamp(min=1e-6)
                edge[near].append((err[ok.sum(1) > 40] * STRIP[2]).cpu().numpy())
            x, place, ok = window(b, r)
            mean, sd = told(tip_scores(nets["tip"](x))[0])
            tip.append((torch.stack([(mean - place[:, 0]), sd], 1)[ok] * WINDOW[2]).cpu().numpy())
    nets.train()
    t = np.concatenate(tip)
    e = [np.abs(np.concatenate(edge[k])) for k in (False, True)]
    z = np.abs(t[:, 0])
    return (
        f"IoU {np.round(inter / union, 3)} outer edge mm {np.median(e[0]):.4f} {np.percentile(e[0], 90):.4f} "
        f"inner {np.median(e[1]):.4f} {np.percentile(e[1], 90):.4f} tip {np.median(z):.4f} {np.percentile(z, 90):.4f} "
        f"within two spreads {np.mean(z < 2 * t[:, 1]):.3f} spread {np.median(t[:, 1]):.4f}"
    )


def train(out: Path, seconds: float, start: Path | None, began: float) -> None:
    """Render, train, save."""
    log = (out / "train.log").open("w", buffering=1)

    def say(text: str) -> None:
        print(f"{time.time() - began:.0f} s  {text}", flush=True)
        print(f"{time.time() - began:.0f} s  {text}", file=log)

    torch.manual_seed(1)
    nets = make()
    runs, steps, scenes = 0, 0, 0
    if start is not None and start.exists():
        kept = torch.load(start, map_location="cpu")
        nets.load_state_dict(kept["nets"])
        runs, steps, scenes = kept["runs"], kept["steps"], kept["scenes"]
    nets.to(DEVICE)
    lib = compile_tracer(out)
    tracer = Tracer(lib)
    say(f"tracer compiled; run {runs}, {steps} steps, {scenes} scenes before")
    left = began + seconds - time.time()
    valid = Batch.of(many(tracer, VALIDATION, COUNT_VALIDATION, 2 * SPP, 0.06 * left), DEVICE)
    say(f"{len(valid.top)} scenes kept to judge by")
    budget = float(os.environ.get("SEE_RENDER", "0.45")) * left
    limit = int(os.environ.get("SEE_SCENES", "9000"))
    data = Batch.of(many(tracer, 1_000_000 * (runs % 8), limit, SPP, budget), DEVICE)
    n = len(data.top)
    say(f"{n} scenes rendered")
    groups = [{"params": net.parameters(), "base": 2.5e-3 if runs == 0 else 1.5e-3} for net in nets.values()]
    opt = torch.optim.AdamW(groups, 1e-3, weight_decay=1e-2)

    def save() -> None:
        state = {k: v.detach().cpu() for k, v in nets.state_dict().items()}
        torch.save({"nets": state, "runs": runs + 1, "steps": steps, "scenes": scenes + n}, out / "networks.tmp")
        (out / "networks.tmp").replace(out / "networks.pt")

    t0, saved, first = time.time(), time.time(), steps
    length = max(began + seconds - 12 - t0, 1.0)
    while (gone := time.time() - t0) < length:
        for g in opt.param_groups:
            g["lr"] = (
                g["base"] * min(1, (steps - first + 1) / 150) * (0.5 + 0.5 * math.cos(math.pi * gone / length)) + 1e-6
            )
        b = data.pick(torch.randint(0, n, (BATCH,), device=DEVICE), bool(torch.rand(()) < 0.5))
        with torch.no_grad():
            r = b.raster()
            vx, vy = view(b, r)
            strips = [strip(b, r, False), strip(b, r, True)]
            ex, er, eo = (torch.cat(v) for v in zip(*strips, strict=True))
            windows = [window(b, r), window(b, r)]
            tx, tr, to = (torch.cat(v) for v in zip(*windows, strict=True))
        with torch.autocast(DEVICE, torch.bfloat16, enabled=DEVICE == "cuda"):
            zv, ze, zt = nets["segment"](vx), nets["edge"](ex), nets["tip"](tx)
        loss = torch.stack([view_loss(zv.float(), vy), edge_loss(ze.float(), er, eo), tip_loss(zt.float(), tr, to)])
        opt.zero_grad(set_to_none=True)
        loss.sum().backward()
        torch.nn.utils.clip_grad_norm_(nets.parameters(), 5.0)
        opt.step()
        steps += 1
        if time.time() - saved > 50:
            say(f"step {steps} losses {np.round(loss.detach().cpu().numpy(), 4)} {figures(nets, valid)}")
            save()
            saved = time.time()
    save()
    say(f"step {steps} {figures(nets, valid)}")


def main() -> None:
    """As the module says."""
    began = time.time()
    out, seconds = Path(sys.argv[1]), float(sys.argv[2])
    start = Path(sys.argv[3]) if len(sys.argv) > 3 else None
    if seconds > 0:
        train(out, seconds, start, began)
        return
    nets = make()
    nets.load_state_dict(torch.load(start, map_location="cpu")["nets"])
    export(nets, out)


if __name__ == "__main__":
    main()
