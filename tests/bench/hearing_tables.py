"""Printing what was measured."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np


@dataclass
class Report:
    """What one part of the measurement found: text to be printed, and figures that the bars are held against."""

    text: list[str] = field(default_factory=list)
    figures: dict[str, float] = field(default_factory=dict)
    counts: dict[tuple[str, str], tuple[int, ...]] = field(default_factory=dict)
    heard_s: float = 0.0
    took_s: float = 0.0

    def say(self, line: str) -> None:
        """A line of text."""
        self.text.append(line)

    def table(self, title: str, head: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
        """A table."""
        self.text.append(table(title, head, rows))


def table(title: str, head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table as text."""
    cells = [[str(cell) for cell in row] for row in [head, *rows]]
    wide = [max(len(row[i]) for row in cells) for i in range(len(head))]
    lines = ["", title]
    for row in cells:
        pairs = enumerate(zip(row, wide, strict=True))
        lines.append("  " + "  ".join(c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in pairs))
    return "\n".join(lines)


def share(part: float, whole: float) -> str:
    """A percentage; a dash where there is nothing to be shared."""
    return f"{100 * part / whole:.1f}" if whole else "-"


def middle(values: Sequence[float], percent: float) -> float:
    """A percentile; not a number where there are no values."""
    return float(np.percentile(values, percent)) if len(values) else float("nan")


def errors(want: Sequence[str], got: Sequence[str]) -> int:
    """Words substituted, left out or put in (Levenshtein)."""
    row = list(range(len(got) + 1))
    for i, w in enumerate(want, 1):
        last, row[0] = row[0], i
        for j, g in enumerate(got, 1):
            last, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, last + (w != g))
    return row[-1]
