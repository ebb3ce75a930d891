"""A measurement's own figures, as its photo's entry keeps them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from capture.review import wording as w


@dataclass(frozen=True)
class Table:
    """A table of plain text."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def budget_table(measurement: Any) -> Table | None:
    """A measurement's uncertainty budget: one row a component, its keys as columns. None when it has none."""
    listed = measurement.get("budget") if hasattr(measurement, "get") else None
    found = [part for part in listed if isinstance(part, dict)] if isinstance(listed, list) else []
    if not found:
        return None
    keys = sorted(dict.fromkeys(key for part in found for key in part), key=_column)
    return Table(
        tuple(_TITLES.get(key) or w.titled(key) for key in keys),
        tuple(tuple(w.number(part.get(key)) or "–" for key in keys) for part in found),
    )


_COLUMNS = ("source", "value", "unit", "u", "sensitivity", "contribution", "dof")
_TITLES = {"u": "u", "contribution_mm": "Contribution, mm", "dof": "Degrees of freedom"}


def _column(key: str) -> tuple[int, str]:
    """Where a component's key stands in the table; keys that are not known come last."""
    known = next((at for at, start in enumerate(_COLUMNS) if key == start or key.startswith(f"{start}_")), None)
    return (len(_COLUMNS) if known is None else known, key)


def measured_facts(measurement: Any) -> list[tuple[str, str]]:
    """The plain figures of a measurement, without its budget and pixel positions."""
    if not hasattr(measurement, "items"):
        return []
    return [
        (w.spaced(key), w.number(value))
        for key, value in measurement.items()
        if isinstance(value, int | float | str) and value != ""
    ]
