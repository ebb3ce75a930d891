"""A look-up's answer as a table: for people, as CSV or as JSON."""

from __future__ import annotations

import csv
import io
import json
import re
import unicodedata
from dataclasses import dataclass
from typing import Any

Cell = str | int | float | None

_NUMBER = re.compile(r"-?\d+(\.\d+)?", re.ASCII)
_TIME = re.compile(r"^(\d{4}-\d\d-\d\d)T(\d\d:\d\d):\d\d\S*$", re.ASCII)
_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_BIDI = dict.fromkeys((0x061C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A)))


@dataclass(frozen=True)
class Table:
    """Columns, rows, and how many rows there are in all (more than ``rows`` when only the first were asked for)."""

    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    total: int

    def records(self) -> list[dict[str, Cell]]:
        """The rows as dictionaries."""
        return [dict(zip(self.columns, row, strict=True)) for row in self.rows]


def as_json(table: Table, **facts: Any) -> str:
    """The table as a JSON object: ``facts``, "total" and "rows"."""
    return json.dumps({**facts, "total": table.total, "rows": table.records()}, ensure_ascii=False, indent=2)


def as_csv(table: Table) -> str:
    """The table as CSV (RFC 4180) with a header line, its cells defused."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(table.columns)
    writer.writerows([defused(cell) for cell in row] for row in table.rows)
    return text.getvalue()


def as_text(table: Table) -> str:
    """The table in columns, for a terminal; times to the minute, as they were at the bench."""
    if not table.rows:
        return "nothing found"
    lines = [tuple(name.replace("_", " ") for name in table.columns)]
    lines += [tuple(_TIME.sub(r"\1 \2", _shown(cell)) for cell in row) for row in table.rows]
    widths = [max(_width(line[column]) for line in lines) for column in range(len(table.columns))]
    return "\n".join("  ".join(_padded(*pair) for pair in zip(line, widths, strict=True)).rstrip() for line in lines)


def defused(cell: Cell) -> str:
    """A cell's text, harmless in a spreadsheet: one that would start a formula gets an apostrophe before it.

    Plain decimal numbers, also negative ones, stay numbers.
    """
    text = _shown(cell)
    if text.lstrip(" ").startswith(_STARTS) and not _NUMBER.fullmatch(text):
        return f"'{text}"
    return text


def _shown(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, float):
        return f"{cell:.6f}".rstrip("0").rstrip(".")
    text = str(cell).translate(_BIDI)
    return "".join(" " if unicodedata.category(character) == "Cc" else character for character in text)


def _width(text: str) -> int:
    return sum(2 if unicodedata.east_asian_width(character) in "WF" else 1 for character in text)


def _padded(text: str, width: int) -> str:
    return text + " " * (width - _width(text))
