"""The acoustic network: a time-delay network of factorised layers with bypass connections.

Each layer squeezes two time-shifted copies of its input into a narrow linear bottleneck, spreads two copies of that to
full width, rectifies, normalises, and adds a share of its input (Povey et al., "Semi-orthogonal low-rank matrix
factorization for deep neural networks", Interspeech 2018; here without the orthogonality constraint). Output every
third frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import torch
from torch import Tensor, nn
from torch.nn import functional

STRIDE = 3
BYPASS = 0.66
EPSILON = 1e-3


@dataclass(frozen=True)
class Shape:
    """Sizes of the network: frames spliced on each side, layers at full frame rate, layers at a third of it, width,
    bottleneck."""

    splice: int = 1
    fast: int = 3
    slow: int = 9
    width: int = 512
    bottleneck: int = 112
    inputs: int = 40
    outputs: int = 82

    @property
    def context(self) -> int:
        """Frames of context needed on each side."""
        return self.splice + self.fast + STRIDE * self.slow


class Layer(nn.Module):
    """One factorised layer; ``step`` is the distance in samples of its own input rate."""

    def __init__(self, width: int, bottleneck: int) -> None:
        """Make the two halves and the normalisation."""
        super().__init__()
        self.squeeze = nn.Conv1d(width, bottleneck, 2)
        self.spread = nn.Conv1d(bottleneck, width, 2)
        self.norm = nn.BatchNorm1d(width, eps=EPSILON, affine=False)

    def forward(self, x: Tensor) -> Tensor:
        """(batch, n, width) to (batch, n - 2, width)."""
        y = beside(self.spread, beside(self.squeeze, x))
        return normal(self.norm, torch.relu(y)) + BYPASS * x[:, 1:-1]


def beside(conv: nn.Conv1d, x: Tensor) -> Tensor:
    """A convolution over two neighbours in time, (batch, n, in) to (batch, n - 1, out), as one product of matrices."""
    weight = conv.weight.permute(0, 2, 1).flatten(1)
    return functional.linear(torch.cat([x[:, :-1], x[:, 1:]], 2), weight, conv.bias)


def normal(norm: nn.BatchNorm1d, x: Tensor) -> Tensor:
    """Batch normalisation of (batch, n, width)."""
    y: Tensor = norm(x.flatten(0, 1))
    return y.view(x.shape)


class Network(nn.Module):
    """Cepstra to one score per output unit and 30 ms."""

    mean: Tensor
    spread: Tensor

    def __init__(self, shape: Shape) -> None:
        """Make an untrained network."""
        super().__init__()
        self.shape = shape
        self.register_buffer("mean", torch.zeros(shape.inputs))
        self.register_buffer("spread", torch.ones(shape.inputs))
        self.first = nn.Conv1d(shape.inputs, shape.width, 2 * shape.splice + 1, stride=1 if shape.fast else STRIDE)
        self.first_norm = nn.BatchNorm1d(shape.width, eps=EPSILON, affine=False)
        self.layers = nn.ModuleList(Layer(shape.width, shape.bottleneck) for _ in range(shape.fast + shape.slow))
        self.last = nn.Conv1d(shape.width, shape.outputs, 1)
        self.side = nn.Conv1d(shape.width, shape.outputs, 1)
        self.drop = 0.0

    def forward(self, cepstra: Tensor) -> Tensor:
        """(batch, frames, inputs) to (batch, ceil(frames / 3), outputs); the edge frames are repeated outside."""
        return self.both(cepstra)[0]

    def both(self, cepstra: Tensor) -> tuple[Tensor, Tensor]:
        """The same, and the outputs of a second last layer that only steadies the training."""
        n = -(-cepstra.shape[1] // STRIDE)
        c = self.shape.context
        x = ((cepstra - self.mean) / self.spread).transpose(1, 2)
        right = max(0, STRIDE * (n - 1) + 1 + 2 * c - c - x.shape[2])
        x = functional.pad(x, (c, right), mode="replicate").transpose(1, 2)
        x = x.unfold(1, self.first.kernel_size[0], self.first.stride[0]).flatten(2)
        x = normal(self.first_norm, torch.relu(functional.linear(x, self.first.weight.flatten(1), self.first.bias)))
        for i, layer in enumerate(self.layers):
            if i == self.shape.fast and i:
                x = x[:, ::STRIDE]
            if self.drop and self.training:
                x = functional.dropout1d(x, self.drop)
            x = layer(x)
        x = x[:, :n]
        out, side = (functional.linear(x, c.weight.flatten(1), c.bias) for c in (self.last, self.side))
        return out, side


def stages(net: Network) -> list[dict[str, Any]]:
    """The network as a list of components for :func:`capture.speech.training.nnet3.write_model`.

    Each entry names its kind, its parameters in double precision, the time offsets of its input and, where it is
    not the entry before, the inputs added up with their weights.
    """

    def array(t: Tensor | None) -> Any:
        assert t is not None
        return t.detach().double().cpu().numpy()

    def affine(conv: nn.Conv1d, offsets: list[int]) -> dict[str, Any]:
        w = array(conv.weight)
        o, i, k = w.shape
        bias = array(conv.bias) if conv.bias is not None else None
        return {"kind": "affine", "M": w.transpose(0, 2, 1).reshape(o, k * i), "b": bias, "offsets": offsets}

    def norm(bn: nn.BatchNorm1d) -> dict[str, Any]:
        return {"kind": "norm", "mean": array(bn.running_mean), "var": array(bn.running_var), "epsilon": EPSILON}

    import numpy as np

    scale = 1 / array(net.spread)
    out: list[dict[str, Any]] = [{"kind": "fixed", "M": np.diag(scale), "b": -array(net.mean) * scale}]
    around = list(range(-net.shape.splice, net.shape.splice + 1))
    out += [affine(net.first, around), {"kind": "relu", "dim": net.shape.width}, norm(net.first_norm)]
    for i, module in enumerate(net.layers):
        assert isinstance(module, Layer)
        step = 1 if i < net.shape.fast else STRIDE
        before = len(out) - 1
        out.append(affine(module.squeeze, [-step, 0]))
        out += [affine(module.spread, [0, step]), {"kind": "relu", "dim": net.shape.width}, norm(module.norm)]
        out.append({"kind": "sum", "dim": net.shape.width, "add": [(BYPASS, before), (1.0, len(out) - 1)]})
    out.append(affine(net.last, [0]))
    return out
