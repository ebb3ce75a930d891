"""A measurement's own figures, as its photo's entry keeps them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from capture.review import wording as w

_COLUMNS = ("source", "value", "unit", "u", "sensitivity", "contribution", "dof")
_TITLES = {
    "u": "u",
    "sensitivity_mm_per_unit": "Sensitivity, mm per unit",
    "contribution_mm": "Contribution, mm",
    "dof": "Degrees of freedom",
}
_TOLD_ELSEWHERE = frozenset({"outcome", "reason", "sentence", "photo_sha256", "value_mm", "expanded_mm", "k"})


@dataclass(frozen=True)
class Table:
    """A table of plain text; ``foot`` is one line below it, empty for none."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    foot: str


def budget_table(measurement: Mapping[str, Any]) -> Table | None:
    """A measurement's uncertainty budget: one row a component, its keys as columns. None when it has none."""
    listed = measurement.get("budget")
    found = [part for part in listed if isinstance(part, dict)] if isinstance(listed, list) else []
    if not found:
        return None
    keys = sorted(dict.fromkeys(key for part in found for key in part), key=_column)
    keys = [key for key in keys if key != "dof" or any(part.get("dof") is not None for part in found)]
    return Table(
        tuple(_TITLES.get(key) or w.titled(key) for key in keys),
        tuple(tuple(_cell(key, part.get(key)) for key in keys) for part in found),
        _foot(measurement),
    )


def _cell(key: str, value: Any) -> str:
    """Uncertainties to three digits; infinite degrees of freedom are stored as null."""
    if isinstance(value, float) and key not in {"value", "dof"}:
        value = float(f"{value:.3g}")
    return w.number(value) or ("∞" if key == "dof" else "–")


def _foot(measurement: Mapping[str, Any]) -> str:
    expanded = measurement.get("expanded_mm")
    factor = measurement.get("k")
    if expanded is None:
        return ""
    return f"Combined and expanded{f' with k = {w.number(factor)}' if factor else ''}: {w.quantity(expanded, 'mm')}"


def _column(key: str) -> tuple[int, str]:
    """Where a component's key stands in the table; keys that are not known come last."""
    known = next((at for at, start in enumerate(_COLUMNS) if key == start or key.startswith(f"{start}_")), None)
    return (len(_COLUMNS) if known is None else known, key)


def measured_facts(measurement: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The plain figures of a measurement, also those of its pose, without budget, pixels and what is told elsewhere."""
    pose = measurement.get("pose")
    figures = {**measurement, **(pose if isinstance(pose, dict) else {})}
    return [
        (w.spaced(key), w.number(w.plain(value)))
        for key, value in figures.items()
        if isinstance(value, int | float | str) and value != "" and key not in _TOLD_ELSEWHERE
    ]
