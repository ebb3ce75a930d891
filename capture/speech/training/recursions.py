"""The recursions of :mod:`chain` in one compiled call each: ``recursions.cu``, by nvcc or a C++ compiler.

Same arguments and results as :func:`chain.numerator` and :func:`chain.denominator`, which stay as their reference and
take over where there is no compiler.
"""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import torch
from torch import Tensor

from . import chain

SOURCE = Path(__file__).with_name("recursions.cu")


@cache
def library(cuda: bool) -> ctypes.CDLL | None:
    """The compiled recursions; nothing without a compiler."""
    compiler = "nvcc" if cuda else "g++"
    if not shutil.which(compiler):
        return None
    out = Path(tempfile.mkdtemp()) / "recursions.so"
    if cuda:
        flags = ["-O3", "-arch=native", "--use_fast_math", "-shared", "-Xcompiler", "-fPIC"]
    else:
        flags = ["-O3", "-march=native", "-shared", "-fPIC", "-x", "c++"]
    subprocess.run([compiler, *flags, str(SOURCE), "-o", str(out)], check=True)
    return ctypes.CDLL(str(out))


def call(function: str, o: Tensor, *arguments: Tensor | int | None) -> None:
    """Call on the stream of the tensors' device."""
    made = library(o.is_cuda)
    assert made is not None
    stream = torch.cuda.current_stream().cuda_stream if o.is_cuda else 0
    plain: list[ctypes.c_void_p | ctypes.c_int] = [ctypes.c_void_p(stream)]
    for a in arguments:
        if isinstance(a, int):
            plain.append(ctypes.c_int(a))
        else:
            assert a is None or (a.is_contiguous() and a.device == o.device)
            plain.append(ctypes.c_void_p(0 if a is None else a.data_ptr()))
    status = getattr(made, function)(*plain)
    if status:
        raise RuntimeError(f"The recursions failed on the graphics processor with error {status}.")


def numerator(
    o: Tensor, lengths: Tensor, units: Tensor, optional: Tensor, count: Tensor, occupancy: bool = True
) -> tuple[Tensor, Tensor]:
    """As :func:`chain.numerator`; without occupancies several rows of units may share one utterance's scores."""
    if library(o.is_cuda) is None:
        return chain.numerator(o, lengths, units, optional, count, occupancy)
    o, rows = o.contiguous(), len(units)
    B, T, S = o.shape
    N = units.shape[1]
    row = torch.arange(rows, device=o.device) % B
    alpha = o.new_empty(rows, T, N, 2) if occupancy else None
    log, gamma = o.new_empty(rows), torch.zeros_like(o) if occupancy else None
    flags = optional.to(torch.uint8).contiguous()
    call("along_run", o, o, B, T, S, lengths.contiguous(), units.contiguous(), flags, count.contiguous(), N, row, rows,
         alpha, log, gamma)  # fmt: skip
    return log, gamma if gamma is not None else o.new_zeros(0)


def denominator(o: Tensor, lengths: Tensor, d: chain.Denominator) -> tuple[Tensor, Tensor]:
    """As :func:`chain.denominator`."""
    if library(o.is_cuda) is None:
        return chain.denominator(o, lengths, d)
    B, T, S = o.shape
    K = S // 2
    top = o.amax(2, keepdim=True)
    emit = (o - top).exp()
    kept, scale = o.new_empty(B, T, 2, K, K + 1), o.new_empty(B, T)
    log, gamma = o.new_empty(B), torch.zeros_like(emit)
    back = d.follow.transpose(1, 2).contiguous()
    call("any_run", o, emit, B, T, S, lengths.contiguous(), d.first.contiguous(), d.follow.contiguous(), back,
         d.end.contiguous(), K, kept, scale, log, gamma)  # fmt: skip
    on = torch.arange(T, device=o.device)[None] < lengths[:, None]
    return log + (top[:, :, 0] * on).sum(1), gamma


def difference(
    o: Tensor, lengths: Tensor, units: Tensor, optional: Tensor, count: Tensor, d: chain.Denominator
) -> tuple[Tensor, Tensor, Tensor]:
    """Numerator minus denominator log probability summed over the batch, its exact gradient, and the numerator's
    occupancies; utterances whose recursion failed count nothing.

    The numerator carries no probability of the words themselves, so the sum can be positive.
    """
    num, wanted = numerator(o, lengths, units, optional, count)
    den, seen = denominator(o, lengths, d)
    good = torch.isfinite(num) & torch.isfinite(den) & (num > 0.5 * chain.NEVER)
    for occupancy in (wanted, seen):
        good &= (occupancy.sum((1, 2)) - lengths).abs() < 0.01 * lengths + 0.1
    wanted = torch.where(good[:, None, None], wanted, 0.0)
    gradient = torch.where(good[:, None, None], wanted - seen, 0.0)
    return torch.where(good, num - den, 0.0).sum(), gradient, wanted
