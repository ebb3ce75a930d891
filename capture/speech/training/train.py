"""Training from scratch with the batch-wise augmentation of :mod:`augment` and the objective of :mod:`chain`."""

from __future__ import annotations

import json
import math
import random
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from ..phones import OUTPUTS, UNITS
from . import augment
from .chain import NEVER, Denominator, estimate, expand
from .corpus import Corpus, Speller
from .mfcc import FRAME, WARPS, Mfcc
from .network import Network, Shape
from .recursions import difference, numerator

GARBAGE_SHARE = 0.5
OUTPUT_PENALTY = 5e-4
SIDE_SHARE = 0.1
ALIGNMENT_SCALE = 0.7
LEAST_PRIOR = 2e-3


@dataclass(frozen=True)
class Plan:
    """How to train."""

    shape: Shape = field(default_factory=lambda: Shape(outputs=OUTPUTS))
    seconds: float = 400.0
    steps: int = 0
    part: tuple[float, float] = (0.0, 1.0)
    warped: float = 0.6
    batch_seconds: float = 900.0
    batch_most: int = 384
    rate: float = 2e-3
    decay: float = 1e-2
    average: float = 0.999
    warm: float = 0.05
    drop: float = 0.0
    seed: int = 1
    workers: int = 6
    baked: str = ""


def labels(u: Any, time: np.ndarray[Any, np.dtype[np.float64]]) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Outputs expected at some times (seconds within the recording) from a synthesiser's own phone times."""
    at = np.searchsorted(u.ends, time, side="right")
    outside = (time < 0) | (at >= len(u.units))
    unit = np.where(outside, 0, u.units[np.minimum(at, len(u.units) - 1)]).astype(np.int64)
    place = np.where(unit == 0, -1, at)
    begins = np.concatenate([[True], place[1:] != place[:-1]])
    return np.asarray(2 * unit + ~begins)


class Batches(torch.utils.data.IterableDataset[dict[str, Tensor]]):
    """Endless batches of utterances of about equal length, drawn by weight."""

    def __init__(self, corpus: Corpus, speller: Speller, plan: Plan, timed: bool = False) -> None:
        """Prepare the weights; ``timed`` for only those utterances whose phone times are known."""
        self.utterances = [u for u in corpus.utterances if not timed or u.units is not None]
        self.speller, self.plan = speller, plan
        w = np.array([u.weight for u in self.utterances])
        self.chances = np.cumsum(w / w.sum())
        self.ears: Ears | None = None

    def __iter__(self) -> Iterator[dict[str, Tensor]]:
        """Batches without end."""
        info = torch.utils.data.get_worker_info()
        seed = self.plan.seed * 1000 + (info.id if info else 0)
        if self.ears is not None:
            torch.set_num_threads(1)
            self.ears.draw.seed(seed)
        rng, r = np.random.default_rng(seed), random.Random(seed)
        while True:
            places = np.searchsorted(self.chances, rng.random(4000))
            drawn = [self.utterances[min(int(i), len(self.utterances) - 1)] for i in places]
            drawn.sort(key=lambda u: u.samples * (1 + 0.05 * r.random()))
            batches: list[list[Any]] = [[]]
            for u in drawn:
                n = len(batches[-1]) + 1
                if n > self.plan.batch_most or n * (u.samples / 16000 + 1) > self.plan.batch_seconds:
                    batches.append([])
                batches[-1].append(u)
            r.shuffle(batches)
            for b in batches:
                made = self.collate(b, rng, r)
                if self.ears is not None:
                    with torch.no_grad():
                        made |= self.ears.features(made)
                yield made

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
        most = int(-(-((int(samples.max()) // 160) + 1) // 3)) + 2
        targets = np.full((n, most), 1, np.int64)
        if all(u.units is not None for u in batch):
            time = (np.arange(most) * 480 + 200)[None] - lead[:, None]
            for i, u in enumerate(batch):
                targets[i] = labels(u, time[i] / 16000 * speed[i])
        units = np.zeros((2, n, longest), np.int64)
        optional = np.zeros((2, n, longest), bool)
        count = np.zeros((2, n), np.int64)
        for i, way in enumerate(ways):
            for j, (u, o) in enumerate(way):
                units[j, i, : len(u)], optional[j, i, : len(o)], count[j, i] = u, o, len(u)
        return {
            "targets": torch.from_numpy(targets),
            "first": torch.tensor([u.first for u in batch]),
            "count": torch.tensor([u.samples for u in batch]),
            "spoken": torch.tensor([bool(u.words) for u in batch]),
            "speed": torch.from_numpy(speed.astype(np.float32)),
            "lead": torch.from_numpy(lead.astype(np.int64)),
            "samples": torch.from_numpy(samples.astype(np.int64)),
            "longest": torch.tensor(int(samples.max())),
            "units": torch.from_numpy(units),
            "optional": torch.from_numpy(optional),
            "unit_count": torch.from_numpy(count),
        }


class Ears:
    """Batches to features: cutting, spoiling and cepstra on the device."""

    def __init__(self, corpus: Corpus, device: torch.device, plan: Plan) -> None:
        """Put the audio on the device and build rooms."""
        self.warped = plan.warped
        self.audio = torch.from_numpy(corpus.audio).to(device)
        self.mfcc = Mfcc().to(device)
        self.draw = augment.Draw(plan.seed, device)
        self.responses = augment.rooms(300, self.draw)
        self.banks: dict[int, Tensor] = {}

    def bank(self, size: int) -> Tensor:
        """Spectra of the rooms for one transform size."""
        if size not in self.banks:
            self.banks[size] = torch.fft.rfft(self.responses, size)
        return self.banks[size]

    def features(self, b: dict[str, Tensor]) -> dict[str, Tensor]:
        """Cepstra (batch, frames, 40) and the number of outputs of each utterance."""
        samples = -(-int(b["longest"]) // 4800) * 4800 + FRAME
        x = augment.gather(self.audio, b["first"], b["count"], b["lead"], b["speed"], samples)
        size = -(-(samples + 7200) // 9600) * 9600
        y = augment.spoil(x, b["spoken"], self.bank(size), self.draw)
        n = len(y)
        warp = torch.where(self.draw.chance(n, self.warped), self.draw.pick(n, len(WARPS)), len(WARPS) // 2 - 1)
        log_mel = augment.mask(self.mfcc.log_mel(y, warp), self.draw)
        f = log_mel @ self.mfcc.dct.T
        t = (b["samples"].clamp_max(samples) - FRAME) // 160 + 1
        outputs = (t + 2) // 3
        at = torch.arange(f.shape[1], device=f.device)[None].expand(len(f), -1).clamp_max((t - 1)[:, None])
        return {"cepstra": f.gather(1, at[:, :, None].expand(-1, -1, f.shape[2])), "outputs": outputs}


def choose(o: Tensor, lengths: Tensor, b: dict[str, Tensor]) -> tuple[Tensor, Tensor, Tensor]:
    """Of two ways to pronounce each utterance the one that the network finds likelier."""
    with torch.no_grad():
        a, c = (
            numerator(o, lengths, b["units"][i], b["optional"][i], b["unit_count"][i], occupancy=False)[0]
            for i in range(2)
        )
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
        now = net.state_dict()
        names = [k for k, v in now.items() if v.dtype.is_floating_point]
        torch._foreach_lerp_([self.state[k] for k in names], [now[k] for k in names], 1 - d)


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


def feed(corpus: Corpus, speller: Speller, plan: Plan, timed: bool) -> Iterator[dict[str, Tensor]]:
    """Endless batches with their features, on the device that trains; baked ones if the plan names a folder."""
    if plan.baked:
        from .bake import stored

        yield from stored(Path(plan.baked) / ("timed" if timed else "all"), plan.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    data = Batches(corpus, speller, plan, timed)
    if device.type == "cuda":
        loader = torch.utils.data.DataLoader(data, batch_size=None, num_workers=plan.workers, pin_memory=True)
        ears = Ears(corpus, device, plan)
        for b in loader:
            b = {k: v if k == "longest" else v.to(device, non_blocking=True) for k, v in b.items()}
            with torch.no_grad():
                made = ears.features(b)
            yield b | made
    data.ears = Ears(corpus, device, plan)
    yield from torch.utils.data.DataLoader(data, batch_size=None, num_workers=plan.workers)


def begin(plan: Plan, batches: Iterator[dict[str, Tensor]]) -> Network:
    """An untrained network with the statistics of some batches."""
    net = Network(replace(plan.shape, outputs=OUTPUTS))
    some = torch.cat([next(batches)["cepstra"].reshape(-1, 40)[::7].cpu() for _ in range(6)])
    net.mean.copy_(some.mean(0))
    net.spread.copy_(some.std(0))
    return net


def pretrain(corpus: Corpus, speller: Speller, plan: Plan, out: Path) -> Network:
    """Teach the phones from synthesisers that tell their phone times; returns a network whose outputs are scores.

    Frame-wise cross-entropy; at the end the outputs' mean logarithms are taken off the biases, so that they are
    likelihoods up to a constant, as the objective of :mod:`chain` expects.
    """
    torch.manual_seed(plan.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    batches = feed(corpus, speller, plan, timed=True)
    net = begin(plan, batches).to(device).train()
    optimiser = torch.optim.AdamW(net.parameters(), lr=plan.rate, weight_decay=plan.decay, betas=(0.9, 0.98))
    counts = torch.zeros(OUTPUTS, device=device)
    clock, log = Clock(plan), Log()
    while not clock.done():
        for group in optimiser.param_groups:
            group["lr"] = plan.rate * clock.rate()
        b = next(batches)
        with torch.autocast(device.type, torch.bfloat16):
            o = net(b["cepstra"])
        o = o.float()
        T = min(o.shape[1], b["targets"].shape[1])
        on = (torch.arange(T, device=device)[None] < b["outputs"][:, None]).reshape(-1)
        want, o = b["targets"][:, :T].reshape(-1)[on], o[:, :T].reshape(-1, OUTPUTS)[on]
        loss = torch.nn.functional.cross_entropy(o, want, label_smoothing=0.02)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        counts += torch.bincount(want, minlength=OUTPUTS)
        right = (o.detach().argmax(1) == want).float().mean()
        log.add(clock, {"entropy": loss.detach(), "right": right})
        clock.tick()
    with torch.no_grad():
        prior = (counts / counts.sum()).clamp_min(LEAST_PRIOR)
        prior[counts == 0] = 1.0  # what was never shown gets no bonus for being rare
        net.last.bias.sub_(prior.log())  # type: ignore[union-attr]
    save(out / "phones.pt", net.state_dict(), plan, log.rows)
    return net


def adapt(
    corpus: Corpus, speller: Speller, plan: Plan, out: Path, net: Network | None, teacher: Network | None = None
) -> Network:
    """Carry the phones over to everything that has only words: frame-wise cross-entropy against the occupancies of the
    network's own soft alignment (Baum and Welch, with scaled likelihoods), or of a trained ``teacher``'s; with one, the
    network may be a new one (None).

    More patient than the objective of :mod:`chain` with a network that knows few voices and is sure of itself.
    """
    torch.manual_seed(plan.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    batches = feed(corpus, speller, plan, timed=False)
    net = (net or begin(plan, batches)).to(device).train()
    guide = net if teacher is None else teacher.to(device).eval()
    optimiser = torch.optim.AdamW(net.parameters(), lr=plan.rate, weight_decay=plan.decay, betas=(0.9, 0.98))
    prior = torch.full((OUTPUTS,), 1 / OUTPUTS, device=device)
    clock, log, marked = Clock(plan), Log(), time.monotonic()
    while not clock.done():
        for group in optimiser.param_groups:
            group["lr"] = plan.rate * (0.0 if clock.step < 30 else clock.rate())
        b = next(batches)
        with torch.autocast(device.type, torch.bfloat16):
            o = net(b["cepstra"])
        o, lengths = o.float(), b["outputs"]
        with torch.no_grad():
            told = o if guide is net else guide(b["cepstra"]).float()
            scores = told * ALIGNMENT_SCALE
            units, optional, count = choose(scores, lengths, b)
            total, want = numerator(scores, lengths, units, optional, count)
            good = (total > 0.5 * NEVER) & torch.isfinite(total)
            good &= (want.sum((1, 2)) - lengths).abs() < 0.01 * lengths + 0.1
            want = torch.where(good[:, None, None], want, 0.0)
            share = want.sum((0, 1))
            keep = 0.9 if clock.step < 30 else 0.995
            prior = keep * prior + (1 - keep) * share / share.sum().clamp_min(1)
        guess = (o + prior.clamp_min(LEAST_PRIOR).log()).log_softmax(2)
        loss = -(want * guess).sum() / want.sum().clamp_min(1)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        log.add(clock, {"entropy": loss.detach(), "used": good.float().mean()})
        clock.tick()
        if time.monotonic() - marked > 60:
            marked = time.monotonic()
            save(out / "adapted.pt", net.state_dict(), plan, log.rows)
    save(out / "adapted.pt", net.state_dict(), plan, log.rows)
    return net


class Clock:
    """How far training has got, by steps or by time, and the learning rate that belongs there."""

    def __init__(self, plan: Plan) -> None:
        """Start."""
        self.plan, self.step, self.start = plan, 0, time.monotonic()

    def seconds(self) -> float:
        """Since the start."""
        return time.monotonic() - self.start

    def gone(self) -> float:
        """Share of the whole, 0 to 1."""
        first, last = self.plan.part
        return first + (last - first) * (
            self.step / self.plan.steps if self.plan.steps else self.seconds() / self.plan.seconds
        )

    def done(self) -> bool:
        """Whether it is time to stop."""
        return self.gone() >= self.plan.part[1]

    def rate(self) -> float:
        """Factor of the learning rate: a ramp, then a half cosine to almost nothing."""
        g, w = self.gone(), self.plan.warm
        ramp = min(1.0, g / w, (self.step + 1) / 100)
        fall = 0.5 + 0.5 * math.cos(math.pi * min(1.0, max(0.0, (g - w) / (1 - w))))
        return ramp * max(fall, 0.003)

    def tick(self) -> None:
        """One step further."""
        self.step += 1


class Log:
    """Running means, printed now and then."""

    def __init__(self) -> None:
        """Empty."""
        self.rows: list[dict[str, float]] = []
        self.sums: dict[str, Tensor] = {}
        self.count = 0

    def add(self, clock: Clock, values: dict[str, Tensor]) -> None:
        """Take a step's values into account."""
        for k, v in values.items():
            self.sums[k] = self.sums.get(k, torch.zeros((), device=v.device)) + v
        self.count += 1
        if clock.step in (0, 20, 50) or clock.step % 100 == 99:
            row = {k: float(v) / self.count for k, v in self.sums.items()}
            row |= {"step": clock.step + 1, "seconds": clock.seconds()}
            if not all(math.isfinite(v) for v in row.values()):
                raise FloatingPointError(f"Training diverged at step {clock.step}; lower the rate.")
            self.rows.append(row)
            self.sums, self.count = {}, 0
            print(json.dumps({k: round(x, 4) for k, x in row.items()}), flush=True)  # noqa: T201


def train(corpus: Corpus, speller: Speller, plan: Plan, out: Path, net: Network) -> Network:
    """Train the whole by the objective of :mod:`chain`; returns the averaged network. Checkpoints go to ``out``."""
    torch.manual_seed(plan.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    batches = feed(corpus, speller, plan, timed=False)
    graph: Denominator = estimate(sequences(corpus, speller, plan.seed), len(UNITS)).to(device)
    net = net.to(device).train()
    average = Average(net, plan.average)
    optimiser = torch.optim.AdamW(net.parameters(), lr=plan.rate, weight_decay=plan.decay, betas=(0.9, 0.98))
    clock, log, marked = Clock(plan), Log(), time.monotonic()
    while not clock.done():
        for group in optimiser.param_groups:
            group["lr"] = plan.rate * clock.rate()
        b = next(batches)
        with torch.autocast(device.type, torch.bfloat16):
            o, side = net.both(b["cepstra"])
        o, lengths = o.float(), b["outputs"]
        total = lengths.sum()
        with torch.no_grad():
            value, gradient, wanted = difference(o, lengths, *choose(o, lengths, b), graph)
        on = torch.arange(o.shape[1], device=device)[None] < lengths[:, None]
        penalty = (o.square().mean(2) * on).sum() / total
        entropy = -(wanted * side.float().log_softmax(2)).sum() / total
        loss = -(gradient * o).sum() / total + OUTPUT_PENALTY * penalty + SIDE_SHARE * entropy
        optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        for p in net.parameters():
            if p.grad is not None:
                p.grad.nan_to_num_(0, 0, 0)
        norm = torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        average.update(net)
        log.add(clock, {"objective": value / total, "entropy": entropy.detach(), "norm": norm.detach()})
        clock.tick()
        if time.monotonic() - marked > 60:
            marked = time.monotonic()
            save(out / "network.pt", average.state, plan, log.rows)
    save(out / "network.pt", average.state, plan, log.rows)
    net.load_state_dict(average.state)
    return net.cpu().eval()
