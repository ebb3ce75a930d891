"""Questions asked across all jobs of a record, answered from the look-up index.

Only what stands counts: an entry that was replaced, withdrawn or not accepted is shown on request alone, and then says
so in the column ``stands``. An entry that waits to be confirmed stands, with its status beside it: for a bad lot or a
bad gauge too many is better than too few.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any, Literal

from capture.errors import UsageError
from capture.record.times import parse_time
from capture.review.lookups_schema import plain
from capture.review.lookups_table import Table

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_WIDEST = 14 * 3600.0
"""Seconds between UTC and the farthest local time of day."""

Which = Literal["all", "look", "returned", "unsigned", "unfinished"]
_WHICH: dict[Which, tuple[str, str]] = {
    "all": ("1", ""),
    "look": ("attention > 0", ""),
    "returned": ("queried + rejected > 0", ""),
    "unsigned": ("ended = 1 AND signed = 0", "first_seq"),
    "unfinished": ("ended < 1", ""),
}
"""Which jobs are listed: the condition, and an order of its own."""

_JOB = "j.unit, j.reference, j.procedure"
_STANDS = "CASE r.gone WHEN 0 THEN 'yes' ELSE 'no' END AS stands"


def by_lot(index: sqlite3.Connection, lot: str, *, replaced: bool = False, limit: int | None = None) -> Table:
    """Which units got, or had taken out, parts of a lot; spaces, dashes and case do not matter.

    Args:
        index: see ``lookups_index.open_index``.
        lot: the lot as printed on the bag.
        replaced: also what does not stand any more.
        limit: at most so many rows; all when None. The same holds for the functions below.
    """
    where = "r.plain = ?" + ("" if replaced else " AND r.gone = 0")
    return _table(
        index,
        f"r.at, {_JOB}, r.part, r.action, r.quantity, r.lot, r.status, {_STANDS}, r.job",
        f"part AS r JOIN job AS j ON j.job = r.job WHERE {where}",
        (_wanted(lot, "lot"),),
        "r.seq",
        limit,
    )


def by_gauge(
    index: sqlite3.Connection,
    serial: str,
    *,
    since: str | None = None,
    until: str | None = None,
    replaced: bool = False,
    limit: int | None = None,
) -> Table:
    """Which readings were taken with a gauge.

    When the gauge's number was corrected later in the job, what had been read with it in between counts for the
    corrected one; ``said_first`` then shows the number that the reading itself holds.

    Args:
        index: see above.
        serial: the gauge's number.
        since: a day (YYYY-MM-DD, as it was at the bench) or an RFC 3339 time; readings before it are left out.
        until: likewise; a day is meant to its end.
        replaced: also what does not stand any more.
        limit: see above.

    Raises:
        UsageError: a day or time that is none.
    """
    clauses, values = ["r.plain = ?"], [_wanted(serial, "gauge")]
    for text, sign in ((since, ">="), (until, "<=")):
        if text is not None:
            clause, more = _time_clause(text, sign)
            clauses.append(clause)
            values += more
    if not replaced:
        clauses.append("r.gone = 0")
    return _table(
        index,
        f"r.at, {_JOB}, r.stage, r.field, r.amount, r.amount_unit, r.outcome, r.status, {_STANDS}, "
        "r.gauge, CASE WHEN r.instrument <> r.gauge THEN r.instrument END AS said_first, r.job",
        f"reading AS r JOIN job AS j ON j.job = r.job WHERE {' AND '.join(clauses)}",
        values,
        "r.at_s, r.seq",
        limit,
    )


def by_unit(index: sqlite3.Connection, identity: str, *, replaced: bool = False, limit: int | None = None) -> Table:
    """All jobs of a unit, newest first; ``identity`` is its serial number or anything else it was identified by.

    With ``replaced`` also jobs in which the unit was called so for a while only.
    """
    where = "plain = ?" + ("" if replaced else " AND gone = 0")
    wanted = _wanted(identity, "unit")
    found = index.execute(f"SELECT job, gone FROM identity WHERE {where} ORDER BY seq DESC", (wanted,))
    jobs: dict[str, bool] = {}
    for job, gone in found:
        jobs[job] = jobs.get(job, False) or not gone
    columns = (
        "opened, unit, reference, procedure, technician, "
        "CASE ended WHEN 1 THEN 'yes' ELSE 'no' END AS ended, entries, failed, undecided, unconfirmed, signed, job"
    )
    rows: list[tuple[Any, ...]] = []
    names: tuple[str, ...] = ()
    for job in list(jobs)[:limit]:
        cursor = index.execute(f"SELECT {columns} FROM job WHERE job = ?", (job,))
        names = tuple(column[0] for column in cursor.description)
        rows += [(*row[:-1], "yes" if jobs[job] else "no", row[-1]) for row in cursor]
    return Table((*names[:-1], "stands", "job") if names else (), tuple(rows), len(jobs))


def near_limit(
    index: sqlite3.Connection, *, within: float = 0.1, field: str | None = None, limit: int | None = None
) -> Table:
    """Standing readings close to a limit on either side of it, the closest first.

    Args:
        index: see above.
        within: how close, as a part of the width between the limits (of the limit itself when there is only one).
        field: only this reading.
        limit: see above.
    """
    values: list[Any] = [within]
    where = "r.near <= ? AND r.near IS NOT NULL AND r.gone = 0"
    if field is not None:
        where += " AND r.field = ?"
        values.append(_field(index, field))
    return _table(
        index,
        f"round(r.room, 4) AS room, r.field, r.amount, r.low, r.high, r.amount_unit, r.outcome, r.status, r.stage, "
        f"r.at, {_JOB}, r.job",
        f"reading AS r JOIN job AS j ON j.job = r.job WHERE {where}",
        values,
        "r.near, r.seq",
        limit,
        count=f"reading AS r WHERE {where}",
    )


def drift(index: sqlite3.Connection, field: str, *, limit: int | None = None) -> Table:
    """How a reading changes over the years, unit by unit, stage by stage, the clearest change first.

    ``change`` is last minus first, ``per_year`` the slope of the line of best fit, ``score`` the change along that line
    as a multiple of the scatter about it (or of the standard uncertainty, when that is more): below about 2 it may be
    chance. Accepted readings count, the last of each job.
    """
    return _table(
        index,
        "unit, field, stage, via, readings, first_at, last_at, round(first, 6) AS first, round(last, 6) AS last, "
        "round(last - first, 6) AS change, amount_unit, round(per_year, 6) AS per_year, round(score, 2) AS score",
        "series WHERE field = ?",
        (_field(index, field),),
        "series.score DESC",
        limit,
    )


def drift_of(index: sqlite3.Connection, field: str, identity: str, *, replaced: bool = False) -> Table:
    """A unit's values of one reading over time; ``change`` is against the first standing one of the same stage and way
    of taking it."""
    jobs = "SELECT job FROM identity WHERE plain = ? AND gone = 0"
    where = f"r.job IN ({jobs}) AND r.field = ?" + ("" if replaced else " AND r.gone = 0")
    table = _table(
        index,
        f"r.at, r.stage, r.via, r.amount, r.amount_unit, r.expanded, r.outcome, r.status, {_STANDS}, r.low, r.high, "
        f"{_JOB}, r.job",
        f"reading AS r JOIN job AS j ON j.job = r.job WHERE {where}",
        (_wanted(identity, "unit"), _field(index, field)),
        "r.at_s, r.seq",
        None,
    )
    first: dict[tuple[Any, ...], float] = {}
    rows = []
    for row in table.rows:
        key = (row[1], row[2], row[4])
        if row[8] == "yes":
            first.setdefault(key, float(str(row[3])))
        change = round(float(str(row[3])) - first[key], 6) if key in first else None
        rows.append((*row[:4], change, *row[4:]))
    return Table((*table.columns[:4], "change", *table.columns[4:]), tuple(rows), table.total)


def corrections(index: sqlite3.Connection) -> Table:
    """How often each person's spoken readings were corrected, withdrawn, or confirmed when asked back.

    A person is whoever the job named as its technician when the reading was said.
    """
    return _table(
        index,
        "person, field, readings, corrected, withdrawn, confirmed, "
        "CASE readings WHEN 0 THEN NULL ELSE round((corrected + withdrawn) * 1.0 / readings, 4) END AS share",
        "tally WHERE readings + corrected + withdrawn + confirmed > 0",
        (),
        "person, field",
        None,
    )


def jobs(
    index: sqlite3.Connection,
    *,
    by_attention: bool = True,
    only: Which = "all",
    limit: int | None = 100,
    skip: int = 0,
) -> Table:
    """The jobs, those with most entries that need a look first (not confirmed, not within limits, warned of, heard two
    ways, said and not taken, and nothing accepted in review since; queried or rejected), or the newest first.

    Args:
        index: see above.
        by_attention: in which order.
        only: those that need a look; those that came back from review; the finished ones that nobody has signed, the
            oldest first; those that are not finished; or all.
        limit: see above.
        skip: how many to leave out before.
    """
    where, order = _WHICH[only]
    order = order or ("attention DESC, first_seq DESC" if by_attention else "first_seq DESC")
    rows = "-1" if limit is None else str(int(limit))
    page = f"SELECT job FROM job WHERE {where} ORDER BY {order} LIMIT {rows} OFFSET {int(skip)}"
    found = _table(
        index,
        "opened, last, unit, reference, procedure, procedure_name, technician, workshop, "
        "CASE ended WHEN 1 THEN 'yes' ELSE 'no' END AS ended, entries, failed, undecided, unconfirmed, queried, "
        "rejected, signed, attention, job",
        f"job WHERE job IN ({page})",
        (),
        order,
        None,
    )
    (total,) = index.execute(f"SELECT count(*) FROM job WHERE {where}").fetchone()
    return Table(found.columns, found.rows, total)


def _table(
    index: sqlite3.Connection,
    columns: str,
    source: str,
    values: Sequence[Any],
    order: str,
    limit: int | None,
    *,
    count: str | None = None,
) -> Table:
    rows = "-1" if limit is None else str(int(limit))
    cursor = index.execute(f"SELECT {columns} FROM {source} ORDER BY {order} LIMIT {rows}", values)
    names = tuple(column[0] for column in cursor.description)
    found = tuple(cursor.fetchall())
    total = len(found)
    if limit is not None and total >= limit:
        (total,) = index.execute(f"SELECT count(*) FROM {count or source}", values).fetchone()
    return Table(names, found, total)


def _wanted(text: str, what: str) -> str:
    found = plain(text)
    if not found:
        raise UsageError(f"The {what} {text!r} has no letter or digit; give it as it is printed.")
    return found


def _field(index: sqlite3.Connection, field: str) -> str:
    known: Iterable[tuple[str]] = index.execute("SELECT DISTINCT field FROM tally")
    names = sorted(name for (name,) in known)
    asked = "_".join(field.casefold().replace("-", " ").replace("_", " ").split())
    if asked not in names:
        raise UsageError(f"No reading {field!r} is on record; there are: {', '.join(names) or 'none'}.")
    return asked


def _time_clause(text: str, sign: str) -> tuple[str, list[Any]]:
    try:
        if not _DAY.fullmatch(text):
            return f"r.at_s {sign} ?", [parse_time(text).timestamp()]
        day = date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"{text!r} is no day or time; write YYYY-MM-DD, or an RFC 3339 time.") from error
    edge = parse_time(f"{day.isoformat()}T00:00:00Z").timestamp()
    widened = edge - _WIDEST if sign == ">=" else edge + 86400.0 + 12 * 3600.0
    return f"r.at_s {sign} ? AND substr(r.at, 1, 10) {sign} ?", [widened, day.isoformat()]
