"""Look-ups across all jobs, as pages: a bad lot, a bad gauge, a unit's history, drift, what is near its limits."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from capture.errors import UsageError
from capture.review import lookups
from capture.review import wording as w
from capture.review.lookups_index import open_index
from capture.review.lookups_table import Table
from capture.review.pages.charts import years_charts

PAGE = 100

KINDS = {
    "unit": "A unit",
    "lot": "A lot",
    "gauge": "A gauge",
    "drift": "What drifts",
    "near": "Near the limit",
    "corrections": "Corrections",
}
_TELLS = {
    "unit": "All jobs of a unit, the newest first.",
    "lot": "Which units got, or had taken out, parts of a lot.",
    "gauge": "Which readings were taken with a gauge that turned out to be bad.",
    "drift": "How a reading changes over the years: in all units, the clearest change first, or in one unit.",
    "near": "Readings that stand close to a limit, inside or outside, the closest first.",
    "corrections": "How often each person’s spoken readings were corrected, withdrawn, or confirmed when asked back.",
}
_HIDDEN = frozenset({"job", "amount_unit"})
_IN_UNIT = frozenset({"amount", "change", "expanded", "first", "last", "low", "high", "per_year"})
"""Columns whose numbers are in the row's unit of measure."""

_NAMES = {"at": "when", "per_year": "change a year", "room": "room to the limit", "expanded": "uncertainty, k = 2"}


@dataclass(frozen=True)
class Line:
    """One row of an answer: the job it leads to, or nothing, and its cells."""

    job: str
    cells: tuple[str, ...]


def found(folder: Path, asked: Mapping[str, str], page: int) -> dict[str, Any]:
    """What the template of the look-ups needs.

    Args:
        folder: the record's folder.
        asked: what stood in the address: what, q, since, until, field, within, replaced.
        page: from 1.
    """
    what = asked.get("what", "unit")
    what = what if what in KINDS else "unit"
    given = {name: asked.get(name, "").strip()[:200] for name in ("q", "since", "until", "field", "within", "replaced")}
    facts: dict[str, Any] = {"kinds": KINDS.items(), "what": what, "told": _TELLS[what], "asked": given, "trouble": ""}
    table: Table | None = None
    charts: list[Markup] = []
    with open_index(folder) as index:
        facts["fields"] = [str(name) for (name,) in index.execute("SELECT DISTINCT field FROM tally ORDER BY field")]
        try:
            table = _ASK[what](index, given, page * PAGE)
            if what == "drift" and given["q"] and given["field"] and table is not None:
                charts = years_charts(table.records(), given["field"])
        except UsageError as error:
            facts["trouble"] = str(error)
    return {**facts, "charts": charts, **_answer(table, page), "address": _address(what, given)}


def _answer(table: Table | None, page: int) -> dict[str, Any]:
    if table is None:
        return {"answered": False, "columns": [], "lines": [], "total": 0, "page": 1, "pages": 1}
    shown = [name for name in table.columns if name not in _HIDDEN]
    lines = [_line(row, shown) for row in table.records()[(page - 1) * PAGE : page * PAGE]]
    columns = [_NAMES.get(name, w.spaced(name)) for name in shown]
    pages = max(1, -(-table.total // PAGE))
    return {
        "answered": True,
        "columns": [name[:1].upper() + name[1:] for name in columns],
        "lines": lines,
        "total": table.total,
        "page": page,
        "pages": pages,
    }


def _line(row: Mapping[str, Any], shown: list[str]) -> Line:
    return Line(w.plain(row.get("job")), tuple(_cell(name, row[name], row.get("amount_unit")) for name in shown))


def _cell(name: str, value: Any, unit: Any) -> str:
    if value is None:
        return "–"
    if name in _IN_UNIT and unit:
        return w.quantity(value, unit)
    if name in {"at", "opened", "first_at", "last_at"}:
        return f"{str(value)[:10]} {str(value)[11:16]}"
    if name in {"field", "stage", "outcome", "part", "status"}:
        return w.spaced(value)
    if name in {"room", "share"}:
        return f"{100 * float(value):.0f} %".replace("-", w.MINUS)
    return w.number(value)


def _unit(index: sqlite3.Connection, asked: Mapping[str, str], limit: int) -> Table | None:
    return lookups.by_unit(index, asked["q"], replaced=bool(asked["replaced"]), limit=limit) if asked["q"] else None


def _lot(index: sqlite3.Connection, asked: Mapping[str, str], limit: int) -> Table | None:
    return lookups.by_lot(index, asked["q"], replaced=bool(asked["replaced"]), limit=limit) if asked["q"] else None


def _gauge(index: sqlite3.Connection, asked: Mapping[str, str], limit: int) -> Table | None:
    if not asked["q"]:
        return None
    since, until = asked["since"] or None, asked["until"] or None
    replaced = bool(asked["replaced"])
    return lookups.by_gauge(index, asked["q"], since=since, until=until, replaced=replaced, limit=limit)


def _drift(index: sqlite3.Connection, asked: Mapping[str, str], limit: int) -> Table | None:
    if not asked["field"]:
        return None
    if asked["q"]:
        return lookups.drift_of(index, asked["field"], asked["q"], replaced=bool(asked["replaced"]))
    return lookups.drift(index, asked["field"], limit=limit)


def _near(index: sqlite3.Connection, asked: Mapping[str, str], limit: int) -> Table | None:
    text = asked["within"] or "10"
    try:
        within = float(text.replace(",", ".")) / 100
    except ValueError:
        within = -1.0
    if not 0 < within <= 10:
        raise UsageError(f"{text!r} is no percentage of the limits' width; write 10, for example.")
    return lookups.near_limit(index, within=within, field=asked["field"] or None, limit=limit)


def _corrections(index: sqlite3.Connection, asked: Mapping[str, str], limit: int) -> Table | None:
    return lookups.corrections(index)


_ASK: Mapping[str, Callable[[sqlite3.Connection, Mapping[str, str], int], Table | None]] = {
    "unit": _unit,
    "lot": _lot,
    "gauge": _gauge,
    "drift": _drift,
    "near": _near,
    "corrections": _corrections,
}


def _address(what: str, asked: Mapping[str, str]) -> str:
    from urllib.parse import urlencode

    return (
        "/review/find?" + urlencode({"what": what, **{name: text for name, text in asked.items() if text}}) + "&page="
    )
