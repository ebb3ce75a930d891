"""Drawing a chart as plain SVG: told apart by shape and dash, legible in grey and in print.

Every chart stands in a figure with its caption and carries its numbers as a description for those who do not see it.
"""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup, escape

from capture.review import wording as w

WIDTH, HEIGHT = 420, 220
_LEFT, _RIGHT, _TOP, _BOTTOM = 46, 14, 12, 40
_SPARE = 0.12
_STEPS = (1, 2, 2.5, 5, 10)
_MARKS = 5


@dataclass(frozen=True)
class Dot:
    """A value: where it stands, its expanded uncertainty, its shape ("voice" or "photo"), and what it is in words."""

    x: float
    y: float
    expanded: float
    shape: str
    words: str


@dataclass(frozen=True)
class Band:
    """What a limit allows between two places; None: no such limit."""

    left: float
    right: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Chart:
    """A drawing to be: dots joined in their order if ``joined``, bands of limits, marks of the horizontal axis, which
    reaches over ``span`` (None: as far as dots, bands and marks do)."""

    title: str
    x_name: str
    y_name: str
    dots: tuple[Dot, ...]
    bands: tuple[Band, ...]
    marks: tuple[tuple[float, str], ...]
    joined: bool = True
    span: tuple[float, float] | None = None


def draw(chart: Chart) -> Markup:
    """The figure."""
    plane = _Plane.around(chart)
    parts = [plane.grid(chart), *(plane.band(band) for band in chart.bands)]
    if chart.joined and len(chart.dots) > 1:
        path = " ".join(f"{plane.x(dot.x):.1f},{plane.y(dot.y):.1f}" for dot in chart.dots)
        parts.append(f'<polyline class="chart-line" points="{path}"/>')
    parts += [plane.dot(dot) for dot in chart.dots]
    words = "; ".join(dot.words for dot in chart.dots)
    shapes = {dot.shape for dot in chart.dots}
    key = " Diamond: from a photo. Circle: spoken." if len(shapes) > 1 else ""
    allowed = " Shaded: within limits." if chart.bands else ""
    return Markup(
        f'<figure class="chart"><svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(words)}">'
        f"{''.join(parts)}</svg><figcaption><b>{escape(chart.title)}</b>, {escape(chart.y_name)}.{allowed}{key} "
        "Bars: expanded uncertainty, k = 2.</figcaption></figure>"
    )


@dataclass(frozen=True)
class _Plane:
    left: float
    right: float
    low: float
    high: float

    @classmethod
    def around(cls, chart: Chart) -> _Plane:
        ys = [dot.y + sign * dot.expanded for dot in chart.dots for sign in (-1, 1)]
        ys += [limit for band in chart.bands for limit in (band.low, band.high) if limit is not None]
        xs = [dot.x for dot in chart.dots] + [edge for band in chart.bands for edge in (band.left, band.right)]
        xs += chart.span or (() if chart.bands else [place for place, _ in chart.marks])
        spare = ((max(ys) - min(ys)) or abs(max(ys)) or 1.0) * _SPARE
        width = (max(xs) - min(xs)) or 1.0
        edge = 0.0 if chart.bands or chart.span else width * 0.06
        return cls(min(xs) - edge, max(xs) + edge or 1.0, min(ys) - spare, max(ys) + spare)

    def x(self, value: float) -> float:
        width = (self.right - self.left) or 1.0
        return _LEFT + (value - self.left) / width * (WIDTH - _LEFT - _RIGHT)

    def y(self, value: float) -> float:
        return _TOP + (self.high - value) / (self.high - self.low) * (HEIGHT - _TOP - _BOTTOM)

    def grid(self, chart: Chart) -> str:
        bottom = HEIGHT - _BOTTOM
        lines = [f'<rect class="chart-ground" x="{_LEFT}" y="{_TOP}" width="{WIDTH - _LEFT - _RIGHT}"'
                 f' height="{bottom - _TOP}"/>']  # fmt: skip
        for value in _round_values(self.low, self.high):
            y = self.y(value)
            text = w.number(f"{value:g}")
            lines.append(f'<line class="chart-grid" x1="{_LEFT}" y1="{y:.1f}" x2="{WIDTH - _RIGHT}" y2="{y:.1f}"/>')
            lines.append(f'<text class="chart-text" x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{text}</text>')
        room = (WIDTH - _LEFT - _RIGHT) / max(1, len(chart.marks))
        for place, name in chart.marks:
            lines += _mark(self.x(place), bottom, name, room)
        if chart.x_name:
            lines.append(
                f'<text class="chart-text" x="{WIDTH - _RIGHT}" y="{HEIGHT - 4}" text-anchor="end">'
                f"{escape(chart.x_name)}</text>"
            )
        return "".join(lines)

    def band(self, band: Band) -> str:
        left, right = self.x(band.left), self.x(band.right)
        top = _TOP if band.high is None else max(float(_TOP), self.y(band.high))
        bottom = HEIGHT - _BOTTOM if band.low is None else min(float(HEIGHT - _BOTTOM), self.y(band.low))
        edges = "".join(
            f'<line class="chart-limit" x1="{left:.1f}" y1="{y:.1f}" x2="{right:.1f}" y2="{y:.1f}"/>'
            for y, limit in ((top, band.high), (bottom, band.low))
            if limit is not None
        )
        return (
            f'<rect class="chart-band" x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}"'
            f' height="{max(0.0, bottom - top):.1f}"/>{edges}'
        )

    def dot(self, dot: Dot) -> str:
        x, y = self.x(dot.x), self.y(dot.y)
        bar = ""
        if dot.expanded:
            top, bottom = self.y(dot.y + dot.expanded), self.y(dot.y - dot.expanded)
            bar = f'<line class="chart-u" x1="{x:.1f}" y1="{top:.1f}" x2="{x:.1f}" y2="{bottom:.1f}"/>'
        if dot.shape == "photo":
            corners = f"{x:.1f},{y - 6:.1f} {x + 6:.1f},{y:.1f} {x:.1f},{y + 6:.1f} {x - 6:.1f},{y:.1f}"
            shape = f'<polygon class="chart-photo" points="{corners}"/>'
        else:
            shape = f'<circle class="chart-voice" cx="{x:.1f}" cy="{y:.1f}" r="4.5"/>'
        return f"<g>{bar}{shape}<title>{escape(dot.words)}</title></g>"


def _mark(x: float, bottom: float, name: str, room: float) -> list[str]:
    """A mark's name below the axis, in at most two lines that fit its room."""
    most = max(4, int(room / 6.2))
    lines = [""]
    for word in name.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > most and len(lines) < 2:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    lines = [line if len(line) <= most else f"{line[: most - 1]}…" for line in lines]
    return [
        f'<text class="chart-text" x="{x:.1f}" y="{bottom + 14 + 13 * at:.1f}" text-anchor="middle">'
        f"{escape(line)}</text>"
        for at, line in enumerate(lines)
    ]


def _round_values(low: float, high: float) -> list[float]:
    """About ``_MARKS`` round numbers between two values."""
    rough = (high - low) / _MARKS
    size = 10.0 ** int(f"{rough:e}".split("e")[1])
    step = next(size * known for known in _STEPS if size * known >= rough * 0.999)
    first = int(low / step) - 1
    return [round(at * step, 10) for at in range(first, first + 3 * _MARKS + 3) if low <= at * step <= high]
