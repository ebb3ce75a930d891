"""Features made ahead of training and kept on disk, so that one process can make them while another trains.

Each file holds some batches as :class:`capture.speech.training.train.Batches` makes them, cepstra in half precision.
"""

from __future__ import annotations

import itertools
import random
import time
from collections.abc import Iterator
from pathlib import Path

import torch
from torch import Tensor

from .corpus import Corpus, Speller
from .train import Plan, feed

BATCHES = 12


def bake(corpus: Corpus, speller: Speller, plan: Plan, folder: Path, timed: bool, files: int) -> None:
    """Write ``files`` files of batches."""
    folder.mkdir(parents=True, exist_ok=True)
    batches = feed(corpus, speller, plan, timed)
    for i in range(files):
        some = [b | {"cepstra": b["cepstra"].half()} for b in itertools.islice(batches, BATCHES)]
        temporary = folder / f"{plan.seed:04d}-{i:05d}.tmp"
        torch.save(some, temporary)
        temporary.rename(temporary.with_suffix(".pt"))


def stored(folder: Path, seed: int) -> Iterator[dict[str, Tensor]]:
    """Batches of all files, in random order, for ever; files that appear meanwhile join in, new ones first."""
    r = random.Random(seed)
    used: dict[Path, int] = {}
    while True:
        there = sorted(folder.glob("*.pt"))
        if not there:
            time.sleep(1)
            continue
        least = min(used.get(p, 0) for p in there)
        path = r.choice([p for p in there if used.get(p, 0) == least])
        used[path] = least + 1
        some = torch.load(path, weights_only=True)
        r.shuffle(some)
        for b in some:
            yield b | {"cepstra": b["cepstra"].float()}
