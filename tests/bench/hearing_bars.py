"""What hearing must reach, and where it stands."""

from __future__ import annotations

from collections.abc import Mapping

from tests.bench.hearing_tables import table

BARS: tuple[tuple[str, str, str, float], ...] = (
    ("real single digits, word errors %", "digits", "<=", 3.0),
    ("real connected digits, strings right %", "strings", ">=", 95.0),
    ("sentences right at first hearing, clean %", "right None", ">=", 97.0),
    ("sentences right at first hearing, 20 dB %", "right 20", ">=", 95.0),
    ("sentences right at first hearing, 10 dB %", "right 10", ">=", 90.0),
    ("wrong value stored unasked, clean %", "wrong None", "<=", 0.3),
    ("wrong value stored unasked, 10 dB %", "wrong 10", "<=", 1.0),
    ("right ones asked back, clean %", "asked None", "<=", 10.0),
    ("right ones asked back, 10 dB %", "asked 10", "<=", 10.0),
    ("talk not for the tool, readings stored an hour", "strangers", "<=", 1.0),
    ("noise alone, values stored an hour", "noise", "<=", 0.0),
    ("real-time factor", "real-time factor", "<=", 0.1),
    ("final words after the last sound, median, clean s", "median clean", "<=", 0.7),
    ("final words after the last sound, 95 %, clean s", "p95 clean", "<=", 1.2),
    ("final words after the last sound, median, 10 dB s", "median 10 dB", "<=", 0.7),
    ("final words after the last sound, 95 %, 10 dB s", "p95 10 dB", "<=", 1.2),
    ("start-up, processor s", "start-up", "<=", 1.0),
    ("memory of the recogniser MB", "memory", "<=", 200.0),
    ("model directory MB", "model", "<=", 25.0),
)
"""What, the figure's name, and the bound that it must keep."""


def bars(figures: Mapping[str, float]) -> str:
    """The bars that were measured, as a table."""
    rows = []
    for what, name, way, bound in BARS:
        if name in figures:
            value = figures[name]
            kept = value <= bound if way == "<=" else value >= bound
            verdict = "kept" if kept else f"off by {abs(value - bound):.2f}"
            rows.append((what, f"{value:.2f}", f"{way} {bound:g}", verdict))
    return table("Against the bars", ("", "measured", "bar", ""), rows) if rows else ""
