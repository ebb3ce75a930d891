"""The training objective against brute force and finite differences."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from capture.speech.training import chain, recursions  # noqa: E402
from capture.speech.training.chain import Denominator, denominator, estimate, numerator  # noqa: E402

K = 3


def paths(T: int, seqs: list[tuple[int, ...]]) -> list[tuple[int, ...]]:
    """All frame labellings of length T for unit sequences: 2k for a first frame, 2k+1 for a later one."""
    out = []
    for s in seqs:
        for cuts in itertools.combinations(range(1, T), len(s) - 1):
            bounds = [0, *cuts, T]
            lab: list[int] = []
            for u, lo, hi in zip(s, bounds[:-1], bounds[1:], strict=True):
                lab += [2 * u] + [2 * u + 1] * (hi - lo - 1)
            out.append(tuple(lab))
    return out


def test_numerator_counts_every_way() -> None:
    torch.manual_seed(0)
    o = torch.randn(1, 5, 2 * K)
    units, optional = torch.tensor([[0, 1, 0, 2, 0]]), torch.tensor([[True, False, True, False, True]])
    ways = [(0, 1, 0, 2, 0), (1, 0, 2, 0), (0, 1, 2, 0), (0, 1, 0, 2), (1, 2, 0), (1, 0, 2), (0, 1, 2), (1, 2)]
    all_paths = paths(5, ways)
    want = torch.logsumexp(torch.stack([sum(o[0, t, x] for t, x in enumerate(p)) for p in all_paths]), 0)
    got, gamma = numerator(o, torch.tensor([5]), units, optional, torch.tensor([5]))
    assert torch.allclose(got[0], want, atol=1e-5)
    assert torch.allclose(gamma.sum(2), torch.ones(1, 5), atol=1e-5)


def random_denominator() -> Denominator:
    rng = np.random.default_rng(0)
    return estimate([list(rng.integers(0, K, rng.integers(1, 6))) for _ in range(30)], K)


def test_trigram_is_a_distribution() -> None:
    d = random_denominator()
    assert torch.allclose(d.follow.sum(2) + d.end, torch.ones(K, K + 1), atol=1e-5)


def test_denominator_counts_every_way() -> None:
    torch.manual_seed(1)
    d = random_denominator()
    T = 4
    o = torch.randn(1, T, 2 * K)
    terms = []
    for n in range(1, T + 1):
        for s in itertools.product(range(K), repeat=n):
            p = d.first[s[0]].log()
            before = K
            for a, b in itertools.pairwise(s):
                p = p + d.follow[a, before, b].log()
                before = a
            p = p + d.end[s[-1], before].log()
            terms += [p + sum(o[0, t, x] for t, x in enumerate(lab)) for lab in paths(T, [s])]
    want = torch.logsumexp(torch.stack(terms), 0)
    got, gamma = denominator(o, torch.tensor([T]), d)
    assert torch.allclose(got[0], want, atol=1e-4)
    assert torch.allclose(gamma.sum(2), torch.ones(1, T), atol=1e-4)


def test_gradient_and_padding() -> None:
    torch.manual_seed(2)
    d = random_denominator()
    o = torch.randn(2, 6, 2 * K)
    lengths = torch.tensor([6, 4])
    units = torch.tensor([[0, 1, 0, 2, 0], [0, 2, 0, 0, 0]])
    optional = torch.tensor([[True, False, True, False, True], [True, False, True, True, True]])
    count = torch.tensor([5, 3])

    def value(x: torch.Tensor) -> torch.Tensor:
        n, _ = numerator(x, lengths, units, optional, count)
        m, _ = denominator(x, lengths, d)
        return (n - m).sum()

    f, gradient, _ = recursions.difference(o, lengths, units, optional, count, d)
    assert torch.allclose(f, value(o), atol=1e-4)
    assert (gradient[1, 4:] == 0).all()
    for b, t, s in [(0, 0, 0), (0, 3, 2), (0, 5, 5), (1, 0, 4), (1, 3, 1), (1, 2, 5)]:
        h = torch.zeros_like(o)
        h[b, t, s] = 1e-2
        slope = (value(o + h) - value(o - h)) / 2e-2
        assert abs(slope - gradient[b, t, s]) < 2e-3
    alone, _ = numerator(o[1:, :4], lengths[1:], units[1:, :3], optional[1:, :3], count[1:])
    both, _ = numerator(o, lengths, units, optional, count)
    assert torch.allclose(alone[0], both[1], atol=1e-5)


def test_much_padding_with_sure_scores() -> None:
    """Scores as a trained network gives them, and utterances far shorter than the batch."""
    torch.manual_seed(3)
    d = random_denominator()
    o = torch.randn(3, 200, 2 * K) * 8 + 5
    lengths = torch.tensor([200, 9, 30])
    units = torch.tensor([[0, 1, 0, 2, 0]] * 3)
    optional = torch.tensor([[True, False, True, False, True]] * 3)
    for _, gamma in (numerator(o, lengths, units, optional, torch.tensor([5] * 3)), denominator(o, lengths, d)):
        assert torch.isfinite(gamma).all()
        assert torch.allclose(gamma.sum((1, 2)), lengths.float(), rtol=1e-3)
    _, gradient, _ = recursions.difference(o, lengths, units, optional, torch.tensor([5] * 3), d)
    assert (gradient.abs().sum((1, 2)) > 0).all(), "no utterance may be left out"


def test_compiled_recursions_equal_their_reference() -> None:
    if recursions.library(False) is None:
        pytest.skip("no C++ compiler")
    torch.manual_seed(4)
    d = random_denominator()
    o = torch.randn(4, 30, 2 * K) * 4
    lengths = torch.tensor([30, 12, 1, 25])
    units = torch.tensor([[0, 1, 0, 2, 0, 0], [0, 2, 1, 0, 0, 0], [0, 1, 0, 0, 0, 0], [0, 1, 2, 0, 1, 0]])
    optional = units == 0
    count = torch.tensor([5, 4, 3, 6])
    for mine, reference in (
        (recursions.numerator(o, lengths, units, optional, count), chain.numerator(o, lengths, units, optional, count)),
        (recursions.denominator(o, lengths, d), chain.denominator(o, lengths, d)),
    ):
        for a, b in zip(mine, reference, strict=True):
            assert torch.allclose(a, b, atol=1e-4)
    twice = recursions.numerator(o, lengths, units.repeat(2, 1), optional.repeat(2, 1), count.repeat(2), False)[0]
    assert torch.allclose(twice[:4], twice[4:])
