# mypy: ignore-errors
# ruff: noqa: T201
"""Trains the networks of ``vision`` on scenes drawn by ``scenes.py``: ``python train.py OUT SECONDS [CHECKPOINT ...]``.

A third of the time goes into rendering (``SEE_RENDER``), the rest into training; or the scenes are those of a folder
that ``samples.py`` filled (``SEE_FROM``). After a third of the time photographs that ``photographs.py`` or
``glimpses.py`` cut join in (``SEE_CUTS``, its folder; ``SEE_CUTS_FROM``, ``_STEP`` and ``_WEIGHT`` as below).
``SEE_NETS=tip,side`` trains these alone. From CHECKPOINTs the weights are taken over where they fit, of several those
of the last that has them; a CHECKPOINT may be one of the ``.onnx`` files that measuring uses. Started by
``torch.distributed.run``, several processors train one set of networks, each on its share of the scenes. Leaves
``networks.pt``, ``train.log`` and the ``.onnx`` files in OUT; a run that is cut off leaves the ``networks.pt`` of two
minutes before. What is kept and judged is the running mean of the weights. ``python train.py OUT 0 networks.pt`` only
writes the ``.onnx`` files. Wants a GPU and nvcc.
"""

from __future__ import annotations

import copy
import math
import os
import sys
import time
from pathlib import Path

import numpy as np
import torch
import torch.distributed as group
from crops import (
    Aim,
    Batch,
    edge_loss,
    edge_scores,
    side,
    side_loss,
    side_scores,
    strip,
    tip_loss,
    tip_scores,
    told,
    view,
    view_loss,
    window,
)
from cuts import Cuts, cut_figures, cut_loss
from nets import INPUT_SIZE, make, take_over
from restart import settling, take_from_file
from samples import kept, many
from scenes import Tracer, compile_tracer
from sizes import SIDE, STRIP, WINDOW

RANK, RANKS = int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
"""Which of how many processes this is."""
DEVICE = "cuda" if torch.cuda.is_available() else "cpu"
NETS = [name for name in os.environ.get("SEE_NETS", "").split(",") if name] or list(INPUT_SIZE)
VALIDATION, COUNT_VALIDATION = 9_000_000, int(os.environ.get("SEE_VALID", "160"))
BATCH, PARTS = int(os.environ.get("SEE_BATCH", "8")), int(os.environ.get("SEE_PARTS", "3"))
"""Scenes that are photographed alike (blur, pixels a millimetre), and how many such groups make a step."""
LOOKS = 2
"""How many windows are cut from each picture."""
LOSSES = {"segment": view_loss, "edge": edge_loss, "side": side_loss, "tip": tip_loss}
JOIN, CUTS = float(os.environ.get("SEE_CUTS_FROM", "0.3")), int(os.environ.get("SEE_CUTS_STEP", "24"))
WEIGHT = float(os.environ.get("SEE_CUTS_WEIGHT", "0.5"))
"""From what part of the time on photographs join in, how many cuts a step, and how much they count."""
KEEPS = 0.999
"""How much of the running mean of the weights is kept in a step."""


def export(nets: torch.nn.ModuleDict, out: Path) -> None:
    """Write ``segment.onnx`` and so on."""
    for name, net in nets.items():
        still = copy.deepcopy(net).cpu().float().eval()
        torch.onnx.export(
            still,
            (torch.zeros(1, *INPUT_SIZE[name]),),
            str(out / f"{name}.onnx"),
            input_names=["picture"],
            output_names=["scores"],
            opset_version=13,
            dynamo=False,
        )


def figures(nets: torch.nn.ModuleDict, data: Batch, apart: Cuts | None = None) -> str:
    """How well scenes and photographs are told that were not trained on, of all kinds and clean ones."""
    nets.eval()
    with torch.random.fork_rng(), torch.no_grad():
        torch.manual_seed(2)
        text = f"{_figures(nets, data)} CLEAN {_figures(nets, data, True)}"
        text += f" PHOTOGRAPHS {cut_figures(nets, apart)}" if apart else ""
    nets.train()
    return text


def _figures(nets: torch.nn.ModuleDict, data: Batch, clean: bool | None = None) -> str:
    inter, union = np.zeros(5), np.zeros(5)
    off: dict[str, list[np.ndarray]] = {}

    def note(what: str, logp: torch.Tensor, place: torch.Tensor, ok: torch.Tensor, mm: float) -> None:
        mean, sd = told(logp)
        off.setdefault(what, []).append((torch.stack([mean - place, sd], 1)[ok] * mm).cpu().numpy())

    for k in range(0, len(data.top), BATCH):
        b = data.pick(torch.arange(k, min(k + BATCH, len(data.top)), device=DEVICE), False)
        r = b.raster(clean)
        if "segment" in nets:
            x, y = view(b, r)
            p = nets["segment"](x).argmax(1)
            for c in range(5):
                inter[c] += ((p == c) & (y == c)).sum().item()
                union[c] += ((p == c) | (y == c)).sum().item()
        for near in (False, True) if "edge" in nets else ():
            x, row, ok = strip(b, r, near)
            mean, sd = told(edge_scores(nets["edge"](x)))
            w = torch.where(ok, 1 / (sd**2 + 0.25), torch.zeros_like(sd))
            err = ((mean - row) * w).sum(1) / w.sum(1).clamp(min=1e-6)
            err = torch.stack([err, torch.zeros_like(err)], 1)[ok.sum(1) > 40] * STRIP[2]
            off.setdefault("inner edge" if near else "outer edge", []).append(err.cpu().numpy())
        x, aim = window(b, r)
        if "tip" in nets:
            z = nets["tip"](x)
            note("tip", tip_scores(z[:, :1])[0], aim.place[:, 0], aim.ok, WINDOW[2])
            note("tip seen highest", tip_scores(z[:, 2:])[0], aim.apex[:, 0], aim.apex_ok, WINDOW[2])
        for right in (False, True) if "side" in nets else ():
            x, row, ok = side(b, r, right)
            note("side", side_scores(nets["side"](x)), row, ok, SIDE[2])
    overlap = f"IoU {np.round(inter / np.maximum(union, 1), 3)} " if "segment" in nets else ""
    return overlap + " ".join(f"{what} {_spread(np.concatenate(v))}" for what, v in off.items())


def _typical(v: np.ndarray) -> str:
    return f"{np.median(v):.4f} {np.percentile(v, 90):.4f}" if len(v) else "-"


def _spread(v: np.ndarray) -> str:
    z = np.abs(v[:, 0])
    off = f"{_typical(z)} middle {np.median(v[:, 0]) if len(v) else 0:+.4f}"
    within = np.mean(z < 2 * v[:, 1]) if len(v) else 0
    return f"{off} within two spreads {within:.3f} of {_typical(v[:, 1])}" if v[:, 1].any() else off


def losses(
    nets: torch.nn.ModuleDict, data: Batch, parts: int, layout: torch.memory_format, cuts: Cuts | None
) -> torch.Tensor:
    """Losses of all networks on freshly photographed scenes, ``parts`` groups of them, and on cut photographs."""
    n = len(data.top)
    made: dict[str, list[tuple[torch.Tensor, ...]]] = {name: [] for name in nets}
    windows: list[tuple[torch.Tensor, Aim]] = []
    with torch.no_grad():
        for _ in range(parts):
            b = data.pick(torch.randint(0, n, (BATCH,), device=DEVICE), bool(torch.rand(()) < 0.5))
            r = b.raster()
            if "segment" in nets:
                made["segment"].append(view(b, r))
            if "edge" in nets:
                made["edge"] += [strip(b, r, near) for near in (False, True)]
            if "side" in nets:
                made["side"] += [side(b, r, right) for right in (False, True)]
            if "tip" in nets:
                windows += [window(b, r) for _ in range(LOOKS)]
        joined = {name: _joined(some) for name, some in made.items() if some}
        if windows:
            x, aim = torch.cat([x for x, _ in windows]), Aim.joined([a for _, a in windows])
            joined["tip"] = (x, aim)
        whole = cuts.some(CUTS) if cuts else {}
        both = {name: torch.cat([v[0], *whole.get(name, ())[:1]]) for name, v in joined.items()}
        seen = {name: x.nan_to_num().contiguous(memory_format=layout) for name, x in both.items()}
    with torch.autocast(DEVICE, torch.bfloat16, enabled=DEVICE == "cuda"):
        told_by = {name: nets[name](x).float() for name, x in seen.items()}
    out = []
    for name, z in told_by.items():
        drawn = len(joined[name][0])
        loss = LOSSES[name](z[:drawn], *joined[name][1:])
        out.append(loss + WEIGHT * cut_loss(name, z[drawn:], *whole[name][1:]) if name in whole else loss)
    return torch.stack(out)


def _joined(many: list[tuple[torch.Tensor, ...]]) -> tuple[torch.Tensor, ...]:
    return tuple(torch.cat(v) for v in zip(*many, strict=True))


class Layouts:
    """Which of two memory layouts trains faster: tried in the first steps."""

    _ALL = (torch.contiguous_format, torch.channels_last)
    _TRIED = 20

    def __init__(self) -> None:
        self._spent: list[list[float]] = [[], []]

    def now(self) -> torch.memory_format:
        """The layout for the next step."""
        for layout, spent in zip(self._ALL, self._spent, strict=True):
            if len(spent) < self._TRIED:
                return layout
        return self._ALL[int(np.argmin(self.seconds()))]

    def took(self, seconds: float) -> None:
        """A step took so long."""
        for spent in self._spent:
            if len(spent) < self._TRIED:
                spent.append(seconds)
                return

    def seconds(self) -> list[float]:
        """Typical seconds a step of each, once tried."""
        return [float(np.median(spent[self._TRIED // 2 :])) if spent else math.inf for spent in self._spent]


def shared_gradients(nets: torch.nn.ModuleDict) -> None:
    """Give every process the mean of all processes' gradients."""
    held = [p.grad for p in nets.parameters() if p.grad is not None]
    flat = torch.cat([g.flatten() for g in held])
    group.all_reduce(flat)
    flat /= RANKS
    for g, mean in zip(held, flat.split([g.numel() for g in held]), strict=True):
        g.copy_(mean.view_as(g))


def same_weights(nets: torch.nn.ModuleDict) -> None:
    """Give every process the first one's weights."""
    for tensor in nets.state_dict().values() if RANKS > 1 else ():
        group.broadcast(tensor, 0)


def shared_clock(seconds: float) -> float:
    """The first process' clock, so that all stop after the same step."""
    if RANKS == 1:
        return seconds
    told = torch.tensor(seconds, dtype=torch.float64, device=DEVICE)
    group.broadcast(told, 0)
    return float(told)


def follow_weights(mean: torch.nn.ModuleDict, nets: torch.nn.ModuleDict, steps: int) -> None:
    """Move the running mean of the weights."""
    keeps = min(KEEPS, (1 + steps) / (10 + steps))
    with torch.no_grad():
        for a, b in zip(mean.state_dict().values(), nets.state_dict().values(), strict=True):
            if a.dtype.is_floating_point:
                a.lerp_(b, 1 - keeps)
            else:
                a.copy_(b)


def train(out: Path, seconds: float, starts: list[Path], began: float) -> None:
    """Render, train, save."""
    out.mkdir(parents=True, exist_ok=True)
    log = (out / "train.log").open("a", buffering=1)

    def say(text: str) -> None:
        if RANK:
            return
        print(f"{time.time() - began:.0f} s  {text}", flush=True)
        print(f"{time.time() - began:.0f} s  {text}", file=log)

    torch.manual_seed(1)
    torch.backends.cudnn.benchmark = True
    nets = chosen()
    torch.manual_seed(1 + RANK)
    (runs, steps, scenes), from_files = started_from(nets, starts)
    nets.to(DEVICE)
    tracer = Tracer(compile_tracer(own_folder(out)))
    say(f"tracer compiled; run {runs}, {steps} steps, {scenes} scenes before")
    left = began + seconds - time.time()
    few = COUNT_VALIDATION if RANK == 0 else BATCH
    valid = Batch.of(many(tracer, VALIDATION, few, 0.06 * left, 2), DEVICE)
    if from_files:
        with settling(from_files):
            losses(nets, valid, PARTS, torch.contiguous_format, None)
        same_weights(nets)
    mean = copy.deepcopy(nets)
    if RANK == 0:
        say(f"{len(valid.top)} scenes kept to judge by: {figures(mean, valid)}")
    budget = float(os.environ.get("SEE_RENDER", "0.33")) * left
    limit = int(os.environ.get("SEE_SCENES", "14000"))
    drawn = os.environ.get("SEE_FROM")
    seed = 1_000_000 * (runs % 8) + 100_000 * RANK
    some = kept(Path(drawn), limit, RANK, RANKS) if drawn else many(tracer, seed, limit, budget)
    data = Batch.of(some, DEVICE)
    del some
    n = len(data.top)
    say(f"{n} scenes rendered")
    opt = torch.optim.AdamW(nets.parameters(), 1e-3, weight_decay=1e-2)
    base = 2.5e-3 if runs == 0 else 1.5e-3

    def save() -> None:
        state = {k: v.detach().cpu() for k, v in mean.state_dict().items()}
        torch.save({"nets": state, "runs": runs + 1, "steps": steps, "scenes": scenes + n}, out / "networks.tmp")
        (out / "networks.tmp").replace(out / "networks.pt")

    t0, saved, first, skipped, parts = time.time(), time.time(), steps, 0, PARTS
    layouts = Layouts()
    folder, cuts, apart = os.environ.get("SEE_CUTS"), None, None
    length = shared_clock(max(began + seconds - 25 - t0, 1.0))
    while (gone := shared_clock(time.time() - t0)) < length:
        for g in opt.param_groups:
            g["lr"] = base * min(1, (steps - first + 1) / 150) * (0.5 + 0.5 * math.cos(math.pi * gone / length)) + 1e-6
        if folder and cuts is None and gone > JOIN * length:
            cuts = Cuts(Path(folder), list(nets), DEVICE, apart=False, part=RANK, parts=RANKS)
            if RANK == 0:
                apart = Cuts(Path(folder), list(nets), DEVICE, apart=True)
                joined = (
                    f"{cuts.photographs} of each {RANKS} files of photographs join in, {apart.photographs} kept apart"
                )
                say(f"{joined}: {figures(mean, valid, apart)}")
        opt.zero_grad(set_to_none=True)
        tick = time.time()
        try:
            loss = losses(nets, data, parts, layouts.now(), cuts)
            loss.sum().backward()
            if RANKS > 1:
                shared_gradients(nets)
        except torch.cuda.OutOfMemoryError:
            torch.cuda.empty_cache()
            parts, skipped = max(1, parts - 1), skipped + 1
            continue
        norms = [torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0) for net in nets.values()]
        if not bool(torch.isfinite(torch.stack(norms)).all()):
            nets.load_state_dict(mean.state_dict())
            skipped += 1
            continue
        opt.step()
        layouts.took(time.time() - tick)
        steps += 1
        follow_weights(mean, nets, steps - first)
        if RANK == 0 and time.time() - saved > 115:
            told_now = f"losses {np.round(loss.detach().cpu().numpy(), 4)} skipped {skipped} parts {parts}"
            told_now += f" seconds a step {np.round(layouts.seconds(), 3)}"
            say(f"step {steps} {told_now} {figures(mean, valid, apart)}")
            save()
            saved = time.time()
    if RANK:
        return
    save()
    say(f"step {steps} skipped {skipped} {figures(mean, valid, apart)}")
    trained_on = data.pick(torch.arange(min(n, len(valid.top)), device=DEVICE), False)
    say(f"on scenes trained on: {figures(mean, trained_on)}")
    try:
        export(mean, out)
    except Exception as error:  # the weights are saved: they can be exported elsewhere
        say(f"not exported: {error!r}")


def own_folder(out: Path) -> Path:
    """Where this process alone writes."""
    folder = out / f"process-{RANK}"
    folder.mkdir(exist_ok=True)
    return folder


def chosen() -> torch.nn.ModuleDict:
    """The networks that are wanted."""
    return torch.nn.ModuleDict({name: net for name, net in make().items() if name in NETS})


def started_from(nets: torch.nn.ModuleDict, starts: list[Path]) -> tuple[tuple[int, int, int], torch.nn.ModuleDict]:
    """Take the weights of ``starts`` over: how many runs, steps and scenes they have behind them, and which networks
    came from ``.onnx`` files."""
    behind, from_files = (0, 0, 0), torch.nn.ModuleDict()
    for start in starts:
        if start.suffix != ".onnx":
            before = torch.load(start, map_location="cpu")
            take_over(nets, before["nets"])
            behind = before["runs"], before["steps"], before["scenes"]
        elif start.stem in nets:
            take_from_file(nets[start.stem], INPUT_SIZE[start.stem], start)
            from_files[start.stem] = nets[start.stem]
            behind = max(behind[0], 1), *behind[1:]
    return behind, from_files


def main() -> None:
    """As the module says."""
    began = time.time()
    out, seconds = Path(sys.argv[1]), float(sys.argv[2])
    starts = [Path(p) for p in sys.argv[3:]]
    if seconds > 0:
        if RANKS > 1:
            if DEVICE == "cuda":
                torch.cuda.set_device(int(os.environ["LOCAL_RANK"]))
            group.init_process_group("nccl" if DEVICE == "cuda" else "gloo")
        train(out, seconds, starts, began)
        return
    nets = chosen()
    started_from(nets, starts)
    export(nets, out)


if __name__ == "__main__":
    main()
