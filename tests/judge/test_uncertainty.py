"""Uncertainty arithmetic and probabilities of conformity against published examples and other libraries."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as hy

from capture.judge.uncertainty import (
    combined,
    conformance_probability,
    expanded_uncertainty,
    round_up,
    standard_uncertainty,
)
from capture.procedure.model import Instrument

GAUGE = Instrument("g", "gauge", ("gauge",), "pressure", "psi", Decimal(1), None, False, False)


def test_resolution_is_a_rectangular_distribution() -> None:
    # JCGM 100:2008 (GUM) F.2.2.1: standard uncertainty of an indication of resolution r is 0.29 r.
    assert float(standard_uncertainty(GAUGE) or 0) == pytest.approx(1 / math.sqrt(12), rel=1e-15)
    assert round(float(standard_uncertainty(GAUGE) or 0), 2) == 0.29


def test_a_given_standard_uncertainty_goes_before_the_resolution() -> None:
    assert standard_uncertainty(replace(GAUGE, standard_uncertainty=Decimal("0.5"))) == Decimal("0.5")


def test_nothing_known_is_none() -> None:
    assert standard_uncertainty(replace(GAUGE, resolution=None)) is None
    assert expanded_uncertainty(replace(GAUGE, resolution=None), "bar") is None


def test_expanded_is_twice_the_standard_in_the_other_unit_rounded_up() -> None:
    # 1 psi = 6894.757 Pa (NIST SP 811 (2008), B.8): 2 x 0.5 psi = 0.068 947 57 bar.
    half = replace(GAUGE, standard_uncertainty=Decimal("0.5"))
    assert expanded_uncertainty(half, "psi") == Decimal("1.0")
    assert expanded_uncertainty(half, "bar") == Decimal("0.0690")


@pytest.mark.parametrize(
    ("amount", "rounded"),
    [("0.5773502691", "0.578"), ("0.1000", "0.1"), ("1234.1", "1240"), ("0", "0"), ("0.00099901", "0.001")],
)
def test_round_up(amount: str, rounded: str) -> None:
    assert round_up(Decimal(amount)) == Decimal(rounded)


@given(hy.decimals(min_value="1e-9", max_value="1e9", allow_nan=False, allow_infinity=False))
def test_round_up_never_rounds_down_nor_by_more_than_a_hundredth(amount: Decimal) -> None:
    assert amount <= round_up(amount) <= amount * Decimal("1.01")


def test_combined_gives_the_end_gauge_example() -> None:
    # GUM H.1.3, H.1.4: standard uncertainties 25, 9.7, 2.9 and 16.6 nm combine to 32 nm (components from memory).
    assert round(combined(*map(Decimal, ("25", "9.7", "2.9", "16.6")))) == 32


def test_unknown_uncertainties_add_nothing() -> None:
    assert combined(None, Decimal("0.03"), None) == Decimal("0.03")
    assert combined(None, None) == 0


@given(hy.lists(hy.decimals(min_value=0, max_value=1000, places=4), min_size=2, max_size=4))
def test_combined_agrees_with_a_reference_library(parts: list[Decimal]) -> None:
    uncertainties = pytest.importorskip("uncertainties")
    values = [uncertainties.ufloat(1.0, float(part)) if part else uncertainties.ufloat(1.0, 1e-300) for part in parts]
    total = values[0] - values[1] + sum(values[2:])
    assert float(combined(*parts)) == pytest.approx(total.std_dev, rel=1e-12, abs=1e-200)


def test_combined_agrees_with_gtc() -> None:
    gtc = pytest.importorskip("GTC")
    difference = gtc.ureal(3.05, 0.04) - gtc.ureal(2.98, 0.03)
    assert float(combined(Decimal("0.08"), Decimal("0.06"))) == pytest.approx(2 * difference.u, rel=1e-12)


def test_conformity_to_one_limit() -> None:
    # JCGM 106:2012, example to clause 7.3 (from memory, arithmetic checked): 1.4 u inside a limit, p = 0.92.
    assert round(conformance_probability(10.0, 1.0, None, 11.4), 2) == 0.92
    assert round(conformance_probability(10.0, 1.0, 8.6, None), 2) == 0.92


def test_conformity_to_two_limits() -> None:
    # JCGM 106:2012, example to clause 7.4 (from memory, arithmetic checked): oil 12.5 .. 16.3, 13.6, u 1.8: p = 0.66.
    assert round(conformance_probability(13.6, 1.8, 12.5, 16.3), 2) == 0.66


def test_without_uncertainty_the_value_decides() -> None:
    assert conformance_probability(1.2, 0, 1.0, 1.2) == 1.0
    assert conformance_probability(1.0, 0, 1.0, 1.2) == 1.0
    assert conformance_probability(0.99, 0, 1.0, None) == 0.0
    assert conformance_probability(1.21, 0, 1.0, 1.2) == 0.0
    with pytest.raises(ValueError, match="negative"):
        conformance_probability(1, -1, 0, 2)


@given(hy.floats(-5, 5), hy.floats(0.01, 3), hy.floats(-5, 0), hy.floats(0.001, 5))
def test_probability_agrees_with_the_standard_library(amount: float, u: float, low: float, width: float) -> None:
    normal, high = NormalDist(amount, u), low + width
    assert conformance_probability(amount, u, low, high) == pytest.approx(normal.cdf(high) - normal.cdf(low), abs=1e-12)
