# mypy: ignore-errors
"""The four networks: what is what in a view; where the rim's edge runs in a strip; where the tip is in a window;
where the case ends at its side.

All are small encoder-decoders. Strip and window networks tell distributions, so that what cannot be told shows.
"""

from __future__ import annotations

import os

import torch
import torch.nn.functional as nnf
from sizes import AROUND, SIDE, STRIP, VIEW, WINDOW
from torch import nn


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


class Again(nn.Module):
    """Two more convolutions whose result is added; at first they add nothing."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        self.add = nn.Sequential(*block(channels, channels)[:-1])
        nn.init.zeros_(self.add[-1].weight)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """(N, channels, H, W) to the same."""
        return x + self.add(x)


def _more(ch: tuple[int, ...], counts: tuple[int, ...]) -> nn.ModuleList:
    return nn.ModuleList(nn.Sequential(*(Again(c) for _ in range(k))) for c, k in zip(ch, counts, strict=True))


class Net(nn.Module):
    """A small encoder-decoder; ``pool`` columns of the result are averaged; ``deeper`` says how many blocks more each
    level has, on the way down and on the way up."""

    def __init__(
        self, inputs: int, ch: tuple[int, ...], classes: int, pool: int = 1, deeper: tuple[int, ...] = ()
    ) -> None:
        super().__init__()
        self.down = nn.ModuleList(block(a, b) for a, b in zip((inputs, *ch[:-1]), ch, strict=True))
        self.up = nn.ModuleList(block(a + b, b) for a, b in zip(ch[:0:-1], ch[-2::-1], strict=True))
        deeper = deeper or (0,) * len(ch)
        self.down_more, self.up_more = _more(ch, deeper), _more(ch[-2::-1], deeper[-2::-1])
        self.head = nn.Conv2d(ch[0], classes, 1)
        self.pool = pool

    def forward(self, x: torch.Tensor, besides: tuple[int, torch.Tensor] | None = None) -> torch.Tensor:
        """(N, inputs, H, W) to (N, classes, H, W / pool); ``besides``: what joins at which level."""
        skips = []
        for i, (f, more) in enumerate(zip(self.down, self.down_more, strict=True)):
            x = more(f(x if i == 0 else nnf.max_pool2d(x, 2)))
            if besides and besides[0] == i:
                x = torch.cat([x, besides[1]], 1)
            skips.append(x)
        for f, more, s in zip(self.up, self.up_more, skips[-2::-1], strict=True):
            x = more(f(torch.cat([nnf.interpolate(x, scale_factor=2, mode="nearest"), s], 1)))
        out: torch.Tensor = self.head(x)
        return out if self.pool == 1 else nnf.avg_pool2d(out, (1, self.pool))


class Tip(Net):
    """Looks at a window and, coarsely, at what is round it: (N, 10, 96, 96), five channels of each, to place scores,
    lever or not, and scores of the place that is seen highest: (N, 3, 96, 96)."""

    _JOIN, _FEATURES = 2, 16

    def __init__(self, ch: tuple[int, ...] = (24, 48, 64, 96, 96), deeper: tuple[int, ...] = (0, 1, 2, 3, 2)) -> None:
        """``deeper``: blocks more a level; with none there are none round the window either."""
        super().__init__(5, ch, 3, deeper=deeper)
        k, more = self._JOIN, self._FEATURES
        self.around = Net(5, (16, 32, 48, 64, 64), more, deeper=(0, 0, 1, 1, 1) if deeper else ())
        self.down[k + 1] = block(ch[k] + more, ch[k + 1])
        self.up[len(ch) - 2 - k] = block(ch[k + 1] + ch[k] + more, ch[k])

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """As the class says."""
        n = WINDOW[0] // AROUND
        a = (WINDOW[0] - n) // 2
        wide = self.around(x[:, 5:])
        return super().forward(x[:, :5], (self._JOIN, wide[:, :, a : a + n, a : a + n]))


def take_over(nets: nn.Module, kept: dict[str, torch.Tensor]) -> None:
    """Start from trained weights. Channels that are new start at nothing, so that all else answers as before."""
    now = nets.state_dict()
    for name, old in kept.items():
        new = now.get(name)
        if new is None or new.dim() != old.dim():
            continue
        if new.shape == old.shape:
            now[name] = old.clone()
        elif all(a <= b for a, b in zip(old.shape, new.shape, strict=True)):
            new = new.clone()
            if new.dim() > 1:
                new[: old.shape[0], old.shape[1] :] = 0
            new[tuple(slice(0, k) for k in old.shape)] = old
            now[name] = new
    nets.load_state_dict(now)


def make() -> nn.ModuleDict:
    """The networks by name.

    View: RGB to 5 classes. Strip: RGB, elevation, place along, near edge or not, to row scores. Window: RGB, elevation,
    height over the rim's outline, near and coarsely all round, to place scores. Side: RGB, elevation, height over the
    rim, to one score a row. ``SEE_DEEPER=0``: without the blocks that came later.
    """
    deeper = os.environ.get("SEE_DEEPER", "1") != "0"
    return nn.ModuleDict(
        {
            "segment": Net(3, (8, 16, 32, 48, 64, 80), 5),
            "edge": Net(6, (12, 24, 32, 48, 64), 1, pool=4, deeper=(0, 1, 2, 2, 2) if deeper else ()),
            "tip": Tip() if deeper else Tip(deeper=()),
            "side": Net(5, (12, 24, 32, 48, 64), 1, pool=SIDE[1], deeper=(0, 0, 1, 2, 2) if deeper else ()),
        }
    )


INPUT_SIZE = {
    "segment": (3, *VIEW[:2]),
    "edge": (6, *STRIP[:2]),
    "tip": (10, *WINDOW[:2]),
    "side": (5, *SIDE[:2]),
}
