"""Training from scratch with the batch-wise augmentation of :mod:`augment` and the objective of :mod:`chain`."""

from __future__ import annotations

import json
import math
import random
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from ..phones import GARBAGE, OUTPUTS, UNIT_NUMBER, UNITS
from . import augment
from .chain import Denominator, Objective, estimate, expand
from .corpus import Corpus, Speller
from .mfcc import FRAME, Mfcc, frames
from .network import Network, Shape

GARBAGE_SHARE = 0.5
OUTPUT_PENALTY = 5e-4


@dataclass(frozen=True)
class Plan:
    """How to train."""

    shape: Shape = Shape(outputs=OUTPUTS)
    seconds: float = 400.0
    steps: int = 0
    batch_seconds: float = 900.0
    batch_most: int = 384
    rate: float = 2e-3
    decay: float = 1e-2
    average: float = 0.999
    warm: float = 0.05
    drop: float = 0.0
    seed: int = 1
    workers: int = 6


class Batches(torch.utils.data.IterableDataset[dict[str, Tensor]]):
    """Endless batches of utterances of about equal length, drawn by weight."""

    def __init__(self, corpus: Corpus, speller: Speller, plan: Plan) -> None:
        """Prepare the weights."""
        self.utterances = corpus.utterances
        self.speller, self.plan = speller, plan
        w = np.array([u.weight for u in self.utterances])
        self.chances = np.cumsum(w / w.sum())

    def __iter__(self) -> Iterator[dict[str, Tensor]]:
        """Batches without end."""
        info = torch.utils.data.get_worker_info()
        seed = self.plan.seed * 1000 + (info.id if info else 0)
        rng, r = np.random.default_rng(seed), random.Random(seed)
        while True:
            drawn = np.searchsorted(self.chances, rng.random(4000))
            drawn = [self.utterances[min(int(i), len(self.utterances) - 1)] for i in drawn]
            drawn.sort(key=lambda u: u.samples * (1 + 0.05 * r.random()))
            batches: list[list[Any]] = [[]]
            for u in drawn:
                n = len(batches[-1]) + 1
                if n > self.plan.batch_most or n * (u.samples / 16000 + 1) > self.plan.batch_seconds:
                    batches.append([])
                batches[-1].append(u)
            r.shuffle(batches)
            for b in batches:
                yield self.collate(b, rng, r)

    def collate(self, batch: list[Any], rng: np.random.Generator, r: random.Random) -> dict[str, Tensor]:
        """Numbers that say where the audio is and what is said in it."""
        n = len(batch)
        speed = np.where(rng.random(n) < 0.8, np.exp(rng.uniform(math.log(0.84), math.log(1.2), n)), 1.0)
        lead = rng.uniform(0.03, 0.5, n) * 16000
        tail = rng.uniform(0.03, 0.5, n) * 16000
        samples = np.array([u.samples for u in batch]) / speed + lead + tail
        ways = []
        for u in batch:
            garbage = r.random() < GARBAGE_SHARE
            ways.append([self.speller.units(u.words, garbage, r) for _ in range(2)])
        longest = max(len(w[0]) for way in ways for w in way)
        units = np.zeros((2, n, longest), np.int64)
        optional = np.zeros((2, n, longest), bool)
        count = np.zeros((2, n), np.int64)
        for i, way in enumerate(ways):
            for j, (u, o) in enumerate(way):
                units[j, i, : len(u)], optional[j, i, : len(o)], count[j, i] = u, o, len(u)
        return {
            "first": torch.tensor([u.first for u in batch]),
            "count": torch.tensor([u.samples for u in batch]),
            "spoken": torch.tensor([bool(u.words) for u in batch]),
            "speed": torch.from_numpy(speed.astype(np.float32)),
            "lead": torch.from_numpy(lead.astype(np.int64)),
            "samples": torch.from_numpy(samples.astype(np.int64)),
            "units": torch.from_numpy(units),
            "optional": torch.from_numpy(optional),
            "unit_count": torch.from_numpy(count),
        }


class Ears:
    """Batches to features: cutting, spoiling and cepstra on the device."""

    def __init__(self, corpus: Corpus, device: torch.device, seed: int) -> None:
        """Put the audio on the device and build rooms."""
        self.audio = torch.from_numpy(corpus.audio).to(device)
        self.mfcc = Mfcc().to(device)
        self.draw = augment.Draw(seed, device)
        self.responses = augment.rooms(300, self.draw)
        self.banks: dict[int, Tensor] = {}

    def bank(self, size: int) -> Tensor:
        """Spectra of the rooms for one transform size."""
        if size not in self.banks:
            self.banks[size] = torch.fft.rfft(self.responses, size)
        return self.banks[size]

    def __call__(self, b: dict[str, Tensor], mean: Tensor | None) -> tuple[Tensor, Tensor]:
        """Cepstra (batch, frames, 40) and the number of outputs of each utterance."""
        samples = -(-int(b["samples"].max()) // 4800) * 4800 + FRAME
        x = augment.gather(self.audio, b["first"], b["count"], b["lead"], b["speed"], samples)
        size = -(-(samples + 7200) // 9600) * 9600
        y = augment.spoil(x, b["spoken"], self.bank(size), self.draw)
        log_mel = self.mfcc.log_mel(y)
        if mean is not None:
            log_mel = augment.mask(log_mel, self.draw)
        f = log_mel @ self.mfcc.dct.T
        t = (b["samples"].clamp_max(samples) - FRAME) // 160 + 1
        outputs = (t + 2) // 3
        at = torch.arange(f.shape[1], device=f.device)[None].expand(len(f), -1).clamp_max((t - 1)[:, None])
        return f.gather(1, at[:, :, None].expand(-1, -1, f.shape[2])), outputs


def choose(o: Tensor, lengths: Tensor, b: dict[str, Tensor]) -> tuple[Tensor, Tensor, Tensor]:
    """Of two ways to pronounce each utterance the one that the network finds likelier."""
    from .chain import numerator

    with torch.no_grad():
        a, _ = numerator(o, lengths, b["units"][0], b["optional"][0], b["unit_count"][0])
        c, _ = numerator(o, lengths, b["units"][1], b["optional"][1], b["unit_count"][1])
    pick = (c > a).long()
    i = torch.arange(len(a), device=o.device)
    return b["units"][pick, i], b["optional"][pick, i], b["unit_count"][pick, i]


def sequences(corpus: Corpus, speller: Speller, seed: int, count: int = 40000) -> list[list[int]]:
    """Unit sequences of utterances drawn by weight, from which the denominator is estimated."""
    rng, r = np.random.default_rng(seed), random.Random(seed)
    w = np.array([u.weight for u in corpus.utterances])
    out = []
    for i in rng.choice(len(w), count, p=w / w.sum()):
        u = corpus.utterances[int(i)]
        units, optional = speller.units(u.words, r.random() < GARBAGE_SHARE, r)
        out.append(expand(np.array(units), np.array(optional), rng))
    return out


class Average:
    """Exponential moving average of all parameters and statistics."""

    def __init__(self, net: Network, decay: float) -> None:
        """Begin with a copy."""
        self.decay, self.steps = decay, 0
        self.state = {k: v.detach().clone() for k, v in net.state_dict().items()}

    def update(self, net: Network) -> None:
        """Take one step into account."""
        self.steps += 1
        d = min(self.decay, (1 + self.steps) / (10 + self.steps))
        for k, v in net.state_dict().items():
            if v.dtype.is_floating_point:
                self.state[k].lerp_(v, 1 - d)
            else:
                self.state[k].copy_(v)


def save(path: Path, state: dict[str, Tensor], plan: Plan, log: list[dict[str, float]]) -> None:
    """Write a checkpoint."""
    path.parent.mkdir(parents=True, exist_ok=True)
    torch.save({"state": {k: v.cpu() for k, v in state.items()}, "shape": asdict(plan.shape), "log": log}, path)


def load_network(path: Path) -> Network:
    """The network of a checkpoint."""
    data = torch.load(path, map_location="cpu", weights_only=True)
    net = Network(Shape(**data["shape"]))
    net.load_state_dict(data["state"])
    return net


def train(corpus: Corpus, speller: Speller, plan: Plan, out: Path, start: Path | None = None) -> Network:
    """Train until the time or the steps are used up; checkpoints go to ``out``; returns the averaged network."""
    torch.manual_seed(plan.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    fast = device.type == "cuda"
    if fast:
        torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
        torch.backends.cudnn.benchmark = False
    ears = Ears(corpus, device, plan.seed)
    graph: Denominator = estimate(sequences(corpus, speller, plan.seed), len(UNITS)).to(device)
    loader = torch.utils.data.DataLoader(
        Batches(corpus, speller, plan), batch_size=None, num_workers=plan.workers, pin_memory=fast
    )
    batches = iter(loader)

    def fetch() -> dict[str, Tensor]:
        return {k: v.to(device, non_blocking=True) for k, v in next(batches).items()}

    net = load_network(start) if start else Network(replace(plan.shape, outputs=OUTPUTS))
    net = net.to(device)
    if not start:
        some = torch.cat([f.reshape(-1, 40)[::7] for f, _ in (ears(fetch(), None) for _ in range(6))])
        net.mean.copy_(some.mean(0))
        net.spread.copy_(some.std(0))
        with torch.no_grad():
            net.last.weight.mul_(0.2)
    net.drop = plan.drop
    average = Average(net, plan.average)
    optimiser = torch.optim.AdamW(net.parameters(), lr=plan.rate, weight_decay=plan.decay, betas=(0.9, 0.98))
    begin = marked = time.monotonic()
    log: list[dict[str, float]] = []
    step, heard, total, shown = 0, 0.0, torch.zeros(3, device=device), 0
    net.train()
    while True:
        gone = step / plan.steps if plan.steps else (time.monotonic() - begin) / plan.seconds
        if gone >= 1:
            break
        ramp = min(1.0, gone / plan.warm, (step + 1) / 200)
        rate = plan.rate * ramp * (0.5 + 0.5 * math.cos(math.pi * min(1.0, max(0.0, gone - plan.warm) / 0.96)))
        for group in optimiser.param_groups:
            group["lr"] = max(rate, plan.rate * 0.002)
        b = fetch()
        with torch.no_grad():
            f, lengths = ears(b, net.mean)
        with torch.autocast(device.type, torch.bfloat16, enabled=fast):
            o = net(f)
        o = o.float()
        units, optional, count = choose(o, lengths, b)
        frames_all = lengths.sum()
        value = Objective.apply(o, lengths, units, optional, count, graph, torch.ones(len(o), device=device))
        on = torch.arange(o.shape[1], device=device)[None] < lengths[:, None]
        penalty = (o.square().mean(2) * on).sum() / frames_all
        loss = -value / frames_all + OUTPUT_PENALTY * penalty
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        norm = torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        if torch.isfinite(norm):
            optimiser.step()
            average.update(net)
        total += torch.stack([value.detach() / frames_all, penalty.detach(), norm.detach()])
        heard += float(len(o) * f.shape[1]) / 360000
        step += 1
        shown += 1
        if step in (1, 20, 50) or step % 100 == 0:
            v = (total / shown).tolist()
            total.zero_()
            shown = 0
            now = time.monotonic() - begin
            log.append({"step": step, "seconds": now, "hours": heard, "objective": v[0], "penalty": v[1], "norm": v[2]})
            print(json.dumps({k: round(x, 4) for k, x in log[-1].items()}), flush=True)  # noqa: T201
            if not math.isfinite(v[0]):
                raise FloatingPointError(f"Training diverged at step {step}; lower the rate.")
        if time.monotonic() - marked > 60:
            marked = time.monotonic()
            save(out / "network.pt", average.state, plan, log)
    save(out / "network.pt", average.state, plan, log)
    net.load_state_dict(average.state)
    return net.cpu().eval()


assert frames(FRAME) == 1
assert UNIT_NUMBER[GARBAGE] == 1
