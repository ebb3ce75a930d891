"""A small drawing of a value with its uncertainty beside its limits. It says nothing that the words do not say."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

from markupsafe import Markup

WIDTH, HEIGHT = 150, 22
_INSIDE, _EDGE, _WIDE = 0.5, 10.0, 9.0


def limit_strip(verdict: Mapping[str, Any]) -> Markup | None:
    """An SVG drawing of a verdict's value, uncertainty and limits; None when there is nothing to draw.

    The scale shows the limits with half their distance at either side; a value beyond that is drawn at the edge as an
    arrow.
    """
    value, expanded = _number(verdict.get("amount")), _number(verdict.get("expanded")) or 0.0
    low, high = _number(verdict.get("low")), _number(verdict.get("high"))
    if value is None or (low is None and high is None):
        return None
    scale = _Scale.around(low, high, value, expanded)
    parts = [_band(scale, low, high)]
    wide = scale.x(value + expanded) - scale.x(value - expanded) > _WIDE
    if wide:
        parts.append(_whisker(scale, value, expanded))
    parts.append(_mark(scale, value, 3 if wide else 4.5))
    return Markup(
        f'<svg class="strip" width="{WIDTH}" height="{HEIGHT}" viewBox="0 0 {WIDTH} {HEIGHT}" aria-hidden="true">'
        f"{''.join(parts)}</svg>"
    )


class _Scale:
    def __init__(self, first: float, last: float) -> None:
        self.first, self.last = first, last

    @classmethod
    def around(cls, low: float | None, high: float | None, value: float, expanded: float) -> _Scale:
        if low is not None and high is not None:
            reach = (high - low) * _INSIDE or abs(high) or 1.0
            return cls(low - reach, high + reach)
        limit = low if low is not None else high
        assert limit is not None
        reach = max(abs(value - limit) + expanded, abs(limit) * 0.1) * 1.3 or 1.0
        return cls(limit - reach, limit + reach)

    def x(self, amount: float) -> float:
        """Where ``amount`` is drawn, kept inside the drawing."""
        share = (amount - self.first) / (self.last - self.first)
        return _EDGE + (WIDTH - 2 * _EDGE) * min(max(share, -0.03), 1.03)

    def beyond(self, amount: float) -> int:
        return -1 if amount < self.first else 1 if amount > self.last else 0


def _band(scale: _Scale, low: float | None, high: float | None) -> str:
    left = 0.0 if low is None else scale.x(low)
    right = float(WIDTH) if high is None else scale.x(high)
    ends = "".join(
        f'<line class="strip-limit" x1="{x:.1f}" y1="3" x2="{x:.1f}" y2="19"/>'
        for x, limit in ((left, low), (right, high))
        if limit is not None
    )
    axis = f'<line class="strip-axis" x1="0" y1="11" x2="{WIDTH}" y2="11"/>'
    return f'{axis}<rect class="strip-band" x="{left:.1f}" y="5" width="{right - left:.1f}" height="12"/>{ends}'


def _whisker(scale: _Scale, value: float, expanded: float) -> str:
    left, right = scale.x(value - expanded), scale.x(value + expanded)
    ends = "".join(f'<line class="strip-u" x1="{x:.1f}" y1="6" x2="{x:.1f}" y2="16"/>' for x in (left, right))
    return f'<line class="strip-u" x1="{left:.1f}" y1="11" x2="{right:.1f}" y2="11"/>{ends}'


def _mark(scale: _Scale, value: float, half: float) -> str:
    x, side = scale.x(value), scale.beyond(value)
    if side:
        tip, base = x + 5 * side, x - 3 * side
        return f'<path class="strip-value" d="M{tip:.1f} 11 L{base:.1f} 6 L{base:.1f} 16 Z"/>'
    corners = ((x, 11 - half), (x + half, 11.0), (x, 11 + half), (x - half, 11.0))
    points = " ".join(f"{px:.1f},{py:.1f}" for px, py in corners)
    return f'<polygon class="strip-value" points="{points}"/>'


def _number(text: Any) -> float | None:
    try:
        value = Decimal(str(text))
    except InvalidOperation:
        return None
    return float(value) if value.is_finite() else None
