"""Lattice-free maximum mutual information on a batch, by explicit forward-backward recursions.

Method: Povey et al., "Purely sequence-trained neural networks for ASR based on lattice-free MMI", Interspeech 2016,
and Hadian et al., "Flat-start single-stage discriminatively trained HMM-based models for ASR", 2018: no alignments
are needed, only the words. The numerator is the utterance's units with optional silence between words; the
denominator is a trigram of units. A unit lasts one frame (output 2k) or more (output 2k+1 for the later ones).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor

NEVER = -1e30


@dataclass(frozen=True)
class Denominator:
    """Trigram of units: ``first`` (K) starts an utterance; ``follow`` (K, K + 1, K) is [current, before, next] with
    row K of "before" for the start; ``end`` (K, K + 1) is [current, before]."""

    first: Tensor
    follow: Tensor
    end: Tensor

    def to(self, device: torch.device) -> Denominator:
        """The same on another device."""
        return Denominator(self.first.to(device), self.follow.to(device), self.end.to(device))


def expand(units: npt.NDArray[np.int64], optional: npt.NDArray[np.bool_], rng: np.random.Generator) -> list[int]:
    """One way through an utterance: each optional unit kept with probability one half."""
    keep = ~optional | (rng.random(len(units)) < 0.5)
    return [int(u) for u in units[keep]]


def estimate(sequences: Iterable[list[int]], k: int) -> Denominator:
    """Trigram of ``k`` units, smoothed with the bigram and the unigram (Witten and Bell, 1991)."""
    tri = np.zeros((k + 1, k + 1, k + 1))  # before, current, next; index k is start (left) and end (right)
    for s in sequences:
        before, current = k, k
        for u in [*s, k]:
            tri[before, current, u] += 1
            before, current = current, u
    bi = tri.sum(0)
    uni = bi.sum(0) + 0.5
    p1 = uni / uni.sum()

    def blend(counts: npt.NDArray[np.float64], lower: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        total, kinds = counts.sum(-1, keepdims=True), (counts > 0).sum(-1, keepdims=True) + 1.0
        return np.asarray((counts + kinds * lower) / (total + kinds))

    p2 = blend(bi, p1)
    p3 = blend(tri, p2[None])
    follow = p3[:, :k, :k].transpose(1, 0, 2)
    end = p3[:, :k, k].T
    first = p3[k, k, :k]

    def tensor(a: npt.NDArray[np.float64]) -> Tensor:
        return torch.tensor(np.ascontiguousarray(a), dtype=torch.float32)

    return Denominator(tensor(first), tensor(follow), tensor(end))


def denominator(o: Tensor, lengths: Tensor, d: Denominator) -> tuple[Tensor, Tensor]:
    """Log probability (batch) and occupancies (batch, frames, outputs) of scores under the trigram."""
    B, T, S = o.shape
    K = S // 2
    top = o.amax(2, keepdim=True)
    e = (o - top).exp()
    enter, later = e[:, :, 0::2].permute(1, 2, 0).contiguous(), e[:, :, 1::2].permute(1, 2, 0).contiguous()  # T K B
    new = o.new_zeros(K, B, K + 1)
    new[:, :, K] = d.first[:, None] * enter[0]
    old = torch.zeros_like(new)
    log = top[:, 0, 0].clone()
    news, olds, scales = [new], [old], [o.new_ones(B)]
    on = torch.arange(T, device=o.device)[:, None] < lengths
    for t in range(1, T):
        x = new + old
        step = torch.bmm(x, d.follow).permute(2, 1, 0)  # next, batch, current
        new = torch.zeros_like(x)
        new[:, :, :K] = step * enter[t][:, :, None]
        old = x * later[t][:, :, None]
        z = (new + old).sum((0, 2)).clamp_min(1e-35)
        new, old = new / z[None, :, None], old / z[None, :, None]
        keep = on[t][None, :, None]
        new, old = torch.where(keep, new, news[-1]), torch.where(keep, old, olds[-1])
        log = log + torch.where(on[t], z.log() + top[:, t, 0], 0.0)
        news.append(new)
        olds.append(old)
        scales.append(z)
    final = d.end[:, None, :].expand(K, B, K + 1)
    total = ((new + old) * final).sum((0, 2)).clamp_min(1e-35)
    log = log + total.log()
    beta = final / total[None, :, None]
    gamma = o.new_zeros(T, 2, K, B)
    last = (lengths - 1)[None, :, None]
    done = beta
    follow_t = d.follow.transpose(1, 2).contiguous()
    for t in range(T - 1, -1, -1):
        if t < T - 1:
            z = scales[t + 1][None, :, None]
            into = (beta * enter[t + 1][:, :, None])[:, :, :K].permute(2, 1, 0)  # current, batch, next
            beta = (torch.bmm(into.contiguous(), follow_t) + beta * later[t + 1][:, :, None]) / z
            beta = torch.where(last <= t, done, beta)
        gamma[t, 0] = (news[t] * beta).sum(2)
        gamma[t, 1] = (olds[t] * beta).sum(2)
    gamma = torch.where(on[:, None, None, :], gamma, 0.0)
    return log, gamma.permute(3, 0, 2, 1).reshape(B, T, S)


def numerator(
    o: Tensor, lengths: Tensor, units: Tensor, optional: Tensor, count: Tensor, occupancy: bool = True
) -> tuple[Tensor, Tensor]:
    """Log probability (batch) and occupancies (unless not wanted) of scores along each utterance's units.

    ``units`` (batch, N) and ``optional`` (batch, N) describe the way; ``count`` is how many of the N are real.
    The last unit must be optional and the first too (silence).
    """
    B, T, _ = o.shape
    N = units.shape[1]
    enter = o.gather(2, (2 * units)[:, None].expand(B, T, N)).transpose(0, 1).contiguous()
    later = o.gather(2, (2 * units + 1)[:, None].expand(B, T, N)).transpose(0, 1).contiguous()
    never1, never2 = o.new_full((B, 1), NEVER), o.new_full((B, 2), NEVER)
    at = torch.arange(N, device=o.device)[None]
    skip_in = torch.cat([optional.new_zeros(B, 1), optional[:, :-1]], 1)  # unit before may be left out
    skip_cost = torch.where(skip_in, 0.0, NEVER)
    skip_out = torch.cat([skip_cost[:, 2:], never2], 1) if N > 2 else o.new_full((B, N), NEVER)
    begin = torch.where((at == 0) | ((at == 1) & optional[:, :1]), 0.0, NEVER)
    finish = torch.where((at == count[:, None] - 1) | (at == count[:, None] - 2), 0.0, NEVER)
    on = torch.arange(T, device=o.device)[:, None] < lengths
    a = (begin + enter[0]).clamp_min(NEVER)
    b = torch.full_like(a, NEVER)
    news, olds = [a], [b]
    for t in range(1, T):
        x = torch.logaddexp(a, b)
        one = torch.cat([never1, x[:, :-1]], 1)
        two = torch.cat([never2, x[:, :-2]], 1) + skip_cost
        na = (torch.logaddexp(one, two) + enter[t]).clamp_min(NEVER)
        nb = (x + later[t]).clamp_min(NEVER)
        keep = on[t][:, None]
        a, b = torch.where(keep, na, a), torch.where(keep, nb, b)
        news.append(a)
        olds.append(b)
    log = torch.logsumexp(torch.logaddexp(a, b) + finish, 1)
    if not occupancy:
        return log, o.new_zeros(0)
    beta = finish
    last = (lengths - 1)[:, None]
    gammas = []
    for t in range(T - 1, -1, -1):
        if t < T - 1:
            y = beta + enter[t + 1]
            one = torch.cat([y[:, 1:], never1], 1)
            two = torch.cat([y[:, 2:], never2], 1) + skip_out
            beta = torch.logaddexp(torch.logaddexp(one, two), beta + later[t + 1]).clamp_min(NEVER)
            beta = torch.where(last <= t, finish, beta)
        gammas.append(torch.stack([news[t] + beta, olds[t] + beta], 2))
    g = (torch.stack(gammas[::-1], 1) - log[:, None, None, None]).exp()  # B T N 2
    g = torch.where(on.T[:, :, None, None], g, 0.0)
    index = torch.stack([2 * units, 2 * units + 1], 2).reshape(B, 1, 2 * N).expand(B, T, 2 * N)
    gamma = torch.zeros_like(o).scatter_add_(2, index, g.reshape(B, T, 2 * N))
    return log, gamma
