"""The decision rule: ISO 14253-1:2017 (read in summaries), and what always must hold of it."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as hy

from capture.judge.decide import GUARD_BAND, SIMPLE, SIMPLE_UNKNOWN, too_coarse, verdict
from capture.judge.uncertainty import conformance_probability
from capture.procedure.model import Limit

TWO_SIDED = Limit("s", Decimal("1.0"), Decimal("1.2"), "somebody")
amounts = hy.decimals(min_value=-10, max_value=10, places=3)
bands = hy.decimals(min_value=0, max_value=3, places=3)


def limits(low: str | None, high: str | None) -> Limit:
    return Limit("s", None if low is None else Decimal(low), None if high is None else Decimal(high), "somebody")


@pytest.mark.parametrize(
    ("amount", "low", "high", "outcome"),
    [
        ("1.10", "1.0", "1.2", "pass"),
        ("1.03", "1.0", "1.2", "pass"),
        ("1.17", "1.0", "1.2", "pass"),
        ("1.029", "1.0", "1.2", "undecided"),
        ("1.00", "1.0", "1.2", "undecided"),
        ("0.97", "1.0", "1.2", "undecided"),
        ("0.969", "1.0", "1.2", "fail"),
        ("1.171", "1.0", "1.2", "undecided"),
        ("1.23", "1.0", "1.2", "undecided"),
        ("1.231", "1.0", "1.2", "fail"),
        ("1.03", "1.0", None, "pass"),
        ("1.02", "1.0", None, "undecided"),
        ("0.96", "1.0", None, "fail"),
        ("99", "1.0", None, "pass"),
        ("1.17", None, "1.2", "pass"),
        ("1.24", None, "1.2", "fail"),
        ("-99", None, "1.2", "pass"),
        ("5", None, None, "pass"),
    ],
)
def test_guard_band(amount: str, low: str | None, high: str | None, outcome: str) -> None:
    judged = verdict(Decimal(amount), Decimal("0.03"), limits(low, high), "guard_band", "inH2O")
    assert (judged.outcome, judged.rule, judged.expanded) == (outcome, GUARD_BAND, "0.03")
    assert (judged.low, judged.high, judged.unit, judged.source) == (low, high, "inH2O", "somebody")


@pytest.mark.parametrize(
    ("amount", "outcome"), [("1.0", "pass"), ("1.2", "pass"), ("0.999", "fail"), ("1.201", "fail")]
)
def test_simple(amount: str, outcome: str) -> None:
    judged = verdict(Decimal(amount), Decimal("0.03"), TWO_SIDED, "simple", "inH2O")
    assert (judged.outcome, judged.rule) == (outcome, SIMPLE)
    unknown = verdict(Decimal(amount), None, TWO_SIDED, "guard_band", "inH2O")
    assert (unknown.outcome, unknown.rule, unknown.expanded) == (outcome, SIMPLE_UNKNOWN, None)


def test_too_coarse() -> None:
    assert too_coarse(Decimal("0.101"), TWO_SIDED)
    assert not too_coarse(Decimal("0.1"), TWO_SIDED)
    assert verdict(Decimal("1.1"), Decimal("0.1"), TWO_SIDED, "guard_band", "inH2O").outcome == "pass"
    assert not too_coarse(None, TWO_SIDED)


@given(amounts, bands, amounts, hy.decimals(min_value=0, max_value=5, places=3))
def test_pass_only_inside_and_fail_only_outside(amount: Decimal, band: Decimal, low: Decimal, width: Decimal) -> None:
    limit = Limit("s", low, low + width, "")
    for rule in ("guard_band", "simple"):
        outcome = verdict(amount, band, limit, rule, "mm").outcome
        inside = low <= amount <= low + width
        assert not (outcome == "pass" and not inside)
        assert not (outcome == "fail" and inside)


@given(amounts, amounts, bands)
def test_further_out_is_never_better(one: Decimal, two: Decimal, band: Decimal) -> None:
    rank = {"fail": 0, "undecided": 1, "pass": 2}
    limit = Limit("s", Decimal(0), None, "")
    low, high = sorted((one, two))
    assert (
        rank[verdict(low, band, limit, "guard_band", "mm").outcome]
        <= rank[verdict(high, band, limit, "guard_band", "mm").outcome]
    )


@given(amounts, bands, bands)
def test_more_uncertainty_never_decides_more(amount: Decimal, one: Decimal, two: Decimal) -> None:
    small, great = sorted((one, two))
    sharp = verdict(amount, small, TWO_SIDED, "guard_band", "mm").outcome
    blunt = verdict(amount, great, TWO_SIDED, "guard_band", "mm").outcome
    assert blunt in {sharp, "undecided"}


@given(amounts, hy.decimals(min_value="0.002", max_value=3, places=3))
def test_proven_means_likely(amount: Decimal, band: Decimal) -> None:
    # A guard band of U = 2 u leaves a risk of at most 2.3 % at a single limit (JCGM 106:2012, 8.3.2.2; normal tail).
    outcome = verdict(amount, band, Limit("s", Decimal(0), None, ""), "guard_band", "mm").outcome
    probability = conformance_probability(float(amount), float(band) / 2, 0.0, None)
    assert outcome != "pass" or probability >= 0.9772
    assert outcome != "fail" or probability <= 0.0228


def test_no_digit_is_lost_on_the_way() -> None:
    tiny = Decimal("0." + "0" * 35 + "1")
    long = Decimal("1.23" + "0" * 33 + "1")
    assert verdict(Decimal("1.23"), Decimal("0.03"), TWO_SIDED, "guard_band", "mm").outcome == "undecided"
    assert verdict(long, Decimal("0.03"), TWO_SIDED, "guard_band", "mm").outcome == "fail"
    assert verdict(Decimal("1.2"), tiny, TWO_SIDED, "guard_band", "mm").outcome == "undecided"
