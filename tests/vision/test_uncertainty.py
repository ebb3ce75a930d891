"""Uncertainty arithmetic against the GUM's own examples and two general-purpose libraries."""

import math
from decimal import Decimal

import GTC
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import correlated_values

from capture.judge.uncertainty import round_up
from vision.model import Component
from vision.uncertainty import combine, fit_line, propagate, shown

# JCGM 100:2008 (GUM), H.1: end gauge calibration. (contribution in nm, degrees of freedom); read through GTC's docs.
END_GAUGE = [(25.0, 18), (5.8, 24), (3.9, 5), (6.7, 8), (2.9, 50), (16.6, 2)]
# JCGM 100:2008 (GUM), H.3, table H.6: thermometer calibration, t in Celsius, correction b in Celsius
T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
B = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])


def rows(pairs: list[tuple[float, float]]) -> list[Component]:
    return [Component("x", None, "nm", u, 1.0, u, dof) for u, dof in pairs]


def test_gum_h1_combined_uncertainty_and_degrees_of_freedom() -> None:
    got = combine(rows(END_GAUGE))
    assert round(got.u) == 32  # GUM H.1.5
    assert math.floor(got.dof) == 16  # GUM H.1.6


def test_gum_h1_against_gtc() -> None:
    total = sum(GTC.ureal(0, u, dof) for u, dof in END_GAUGE)
    got = combine(rows(END_GAUGE))
    assert got.u == pytest.approx(GTC.uncertainty(total), rel=1e-9)
    assert got.dof == pytest.approx(GTC.dof(total), rel=1e-9)


def test_gum_h3_calibration_line() -> None:
    line = fit_line(T, B, 20.0)
    assert (round(line.a, 4), round(line.u_a, 4)) == (-0.1712, 0.0029)
    assert (round(line.b, 5), round(line.u_b, 5)) == (0.00218, 0.00067)
    assert round(line.correlation, 2) == -0.93
    value, u = line.at(30.0)
    assert (round(value, 4), round(u, 4)) == (-0.1494, 0.0041)


def test_line_prediction_against_uncertainties() -> None:
    line = fit_line(T, B, 20.0)
    off = line.u_a * line.u_b * line.correlation
    a, b = correlated_values([line.a, line.b], [[line.u_a**2, off], [off, line.u_b**2]])
    there = a + b * 10.0
    assert line.at(30.0)[1] == pytest.approx(there.std_dev, rel=1e-9)


def test_propagation_with_correlation() -> None:
    cov = np.array([[0.04, 0.018], [0.018, 0.09]])
    value, u = propagate(lambda x: float(x[0] * np.sin(x[1])), np.array([2.0, 0.7]), cov)
    x, y = correlated_values([2.0, 0.7], cov)
    from uncertainties import umath

    want = x * umath.sin(y)
    assert value == pytest.approx(want.nominal_value)
    assert u == pytest.approx(want.std_dev, rel=1e-3)


def test_a_line_needs_three_points() -> None:
    with pytest.raises(ValueError, match="three points"):
        fit_line(np.array([1.0, 2.0]), np.array([1.0, 2.0]))


@pytest.mark.parametrize(
    ("u", "written"), [(0.1841, "0.19"), (0.19, "0.19"), (1.021, "1.1"), (0.0301, "0.031"), (0.0, "0")]
)
def test_beside_a_value_it_is_rounded_up_to_two_digits(u: float, written: str) -> None:
    assert shown(u) == written


@given(st.floats(0.001, 9, allow_nan=False))
def test_the_picture_rounds_the_uncertainty_as_the_record_does(u: float) -> None:
    assert Decimal(shown(u)) == round_up(Decimal(repr(u)), 2)
