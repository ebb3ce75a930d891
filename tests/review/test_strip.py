from __future__ import annotations

import re
from typing import Any

import pytest

from capture.review.strip import WIDTH, limit_strip


def places(verdict: dict[str, Any]) -> tuple[list[float], float]:
    """Where the limits' lines and the value's mark are drawn, in pixels from the left."""
    drawn = str(limit_strip(verdict))
    lines = [float(x) for x in re.findall(r'strip-limit" x1="([\d.]+)"', drawn)]
    mark = re.search(r'points="([\d.]+),', drawn) or re.search(r'd="M([\d.]+) ', drawn)
    assert mark is not None
    return lines, float(mark[1])


@pytest.mark.parametrize(("amount", "share"), [("1.1", 0.0), ("1.3", 0.5), ("1.5", 1.0), ("1.0", -0.25)])
def test_the_value_is_drawn_at_its_share_between_the_limits(amount: str, share: float) -> None:
    (low, high), value = places({"amount": amount, "low": "1.1", "high": "1.5", "expanded": "0.03"})
    assert value == pytest.approx(low + share * (high - low), abs=0.2)


@pytest.mark.parametrize("amount", ["-1e9", "1e9", "0.2", "9"])
def test_a_far_value_stays_inside_the_drawing(amount: str) -> None:
    _, value = places({"amount": amount, "low": "1.1", "high": "1.5", "expanded": "1"})
    assert 0 <= value <= WIDTH


@pytest.mark.parametrize("limits", [("2", None), (None, "2"), ("0", None), ("0", "0")])
def test_one_limit_or_no_width_can_be_drawn(limits: tuple[str | None, str | None]) -> None:
    lines, value = places({"amount": "2", "low": limits[0], "high": limits[1]})
    assert len(lines) == sum(limit is not None for limit in limits)
    assert 0 <= value <= WIDTH


@pytest.mark.parametrize("verdict", [{}, {"amount": "2"}, {"amount": "x", "low": "1"}, {"amount": "NaN", "low": "1"}])
def test_nothing_is_drawn_without_a_value_or_limits(verdict: dict[str, Any]) -> None:
    assert limit_strip(verdict) is None
