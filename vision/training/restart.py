# mypy: ignore-errors
"""Goes on from the ``.onnx`` files that measuring uses, where no checkpoint was kept.

Such a file holds each convolution together with the normalisation behind it. What comes of it answers as the file does,
and by :func:`settling` goes on doing so when training normalises by what it sees.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import torch
from torch import nn

_LENGTH = 1.5
"""How long (Euclidean) a normalised convolution's weights are made, as after some thousand steps: it only says by how
much a step of training turns them."""


def _order(net: nn.Module, size: tuple[int, ...]) -> list[tuple[nn.Conv2d, nn.BatchNorm2d | None]]:
    """The convolutions in the order in which they are used, each with the normalisation behind it."""
    used: list[nn.Module] = []
    kinds = (nn.Conv2d, nn.BatchNorm2d)
    hooks = [m.register_forward_hook(lambda m, x, y: used.append(m)) for m in net.modules() if isinstance(m, kinds)]
    training = net.training
    with torch.no_grad():
        net.eval()(torch.zeros(1, *size))
    net.train(training)
    for hook in hooks:
        hook.remove()
    after = [*used[1:], None]
    pairs = zip(used, after, strict=True)
    return [(m, b if isinstance(b, nn.BatchNorm2d) else None) for m, b in pairs if isinstance(m, nn.Conv2d)]


def take_from_file(net: nn.Module, size: tuple[int, ...], path: Path) -> None:
    """Let ``net``, which takes inputs of ``size``, answer as the file at ``path``."""
    import onnx

    graph = onnx.load(str(path)).graph
    kept = {i.name: onnx.numpy_helper.to_array(i) for i in graph.initializer}
    convolutions = [[kept[name] for name in node.input[1:3]] for node in graph.node if node.op_type == "Conv"]
    for (conv, norm), (weight, bias) in zip(_order(net, size), convolutions, strict=True):
        if norm is None:
            _put(conv.weight, weight)
            _put(conv.bias, bias)
            continue
        length = np.maximum(np.linalg.norm(weight.reshape(len(weight), -1), axis=1), 1e-6) / _LENGTH
        _put(conv.weight, weight / length[:, None, None, None])
        _put(norm.weight, length * np.sqrt(1 + norm.eps))
        _put(norm.bias, bias)
        norm.reset_running_stats()


def _put(parameter: nn.Parameter, value: np.ndarray) -> None:
    if parameter.shape != value.shape:
        raise ValueError(f"the file's weights are {value.shape}, the network's {tuple(parameter.shape)}")
    with torch.no_grad():
        parameter.copy_(torch.tensor(value))


@contextmanager
def settling(nets: nn.Module) -> Iterator[None]:
    """Within, each normalisation takes what it is given for what it will be given; the answers stay as they are."""

    def settle(norm: nn.BatchNorm2d, given: tuple[torch.Tensor]) -> None:
        by = norm.weight / torch.sqrt(norm.running_var + norm.eps)
        shift = norm.bias - by * norm.running_mean
        var, mean = torch.var_mean(given[0].float(), (0, 2, 3), correction=0)
        norm.weight.copy_(by * torch.sqrt(var + norm.eps))
        norm.bias.copy_(shift + by * mean)
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(var)

    hooks = [m.register_forward_pre_hook(settle) for m in nets.modules() if isinstance(m, nn.BatchNorm2d)]
    training = nets.training
    nets.eval()
    try:
        with torch.no_grad():
            yield
    finally:
        nets.train(training)
        for hook in hooks:
            hook.remove()
