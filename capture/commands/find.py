"""``benchwitness find``: questions asked across all jobs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from capture.commands.keeping import json_option, record_option

if TYPE_CHECKING:
    import sqlite3

    from capture.review.lookups_table import Table

_F = TypeVar("_F", bound=Callable[..., Any])


def _output(default: int) -> Callable[[_F], _F]:
    limit = click.option(
        "--limit",
        type=click.IntRange(min=0),
        default=default,
        show_default=True,
        help="Show at most so many rows; 0 shows all.",
    )
    as_csv = click.option("--csv", "as_csv", is_flag=True, help="Print CSV, safe to open in a spreadsheet.")
    return lambda command: limit(as_csv(json_option(record_option(command))))


_replaced = click.option("--replaced", is_flag=True, help="Also show what was replaced, withdrawn or not accepted.")


@click.group()
def command() -> None:
    """Find parts, gauges, units, drift and corrections across all jobs of a record.

    Only what stands counts. Answers come from an index beside the ledger that is made anew whenever it does not fit the
    ledger; it proves nothing, so check what matters in the job's report. Whether a unit must be called back or
    measured again is for a qualified person to decide.
    """


@command.command("lot")
@click.argument("lot")
@_replaced
@_output(0)
def lot(lot: str, replaced: bool, **how: Any) -> int:
    """Which units got, or had taken out, parts of LOT."""
    from capture.review import lookups

    return _answer(lambda index, limit: lookups.by_lot(index, lot, replaced=replaced, limit=limit), **how)


@command.command("gauge")
@click.argument("serial")
@click.option("--from", "since", metavar="DAY", help="From this day at the bench on (YYYY-MM-DD), or RFC 3339 time.")
@click.option("--to", "until", metavar="DAY", help="To the end of this day, or to this RFC 3339 time.")
@_replaced
@_output(0)
def gauge(serial: str, since: str | None, until: str | None, replaced: bool, **how: Any) -> int:
    """Which readings were taken with the gauge SERIAL."""
    from capture.review import lookups

    return _answer(
        lambda index, limit: lookups.by_gauge(index, serial, since=since, until=until, replaced=replaced, limit=limit),
        **how,
    )


@command.command("unit")
@click.argument("serial")
@_replaced
@_output(0)
def unit(serial: str, replaced: bool, **how: Any) -> int:
    """All jobs of the unit SERIAL, newest first."""
    from capture.review import lookups

    return _answer(lambda index, limit: lookups.by_unit(index, serial, replaced=replaced, limit=limit), **how)


@command.command("near-limit")
@click.option(
    "--within",
    type=click.FloatRange(min=0),
    default=0.1,
    show_default=True,
    help="How close, as a part of the width between the limits.",
)
@click.option("--reading", metavar="READING", help="Only this reading.")
@_output(200)
def near_limit(within: float, reading: str | None, **how: Any) -> int:
    """Readings close to a limit, on either side of it, the closest first."""
    from capture.review import lookups

    return _answer(lambda index, limit: lookups.near_limit(index, within=within, field=reading, limit=limit), **how)


@command.command("drift")
@click.argument("reading")
@click.option("--unit", "serial", metavar="SERIAL", help="The values of this unit, one by one.")
@_replaced
@_output(200)
def drift(reading: str, serial: str | None, replaced: bool, **how: Any) -> int:
    """How READING changes over the years: all units, the clearest change first, or one unit's values."""
    from capture.review import lookups

    if serial is not None:
        return _answer(lambda index, limit: lookups.drift_of(index, reading, serial, replaced=replaced), **how)
    return _answer(lambda index, limit: lookups.drift(index, reading, limit=limit), **how)


@command.command("corrections")
@_output(0)
def corrections(**how: Any) -> int:
    """How often each person's spoken readings were corrected, withdrawn, or confirmed when asked back."""
    from capture.review import lookups

    return _answer(lambda index, limit: lookups.corrections(index), **how)


def _answer(
    ask: Callable[[sqlite3.Connection, int | None], Table],
    *,
    record: Path | None,
    limit: int,
    as_csv: bool,
    as_json: bool,
) -> int:
    from capture.commands.progress import on_terminal
    from capture.errors import UsageError
    from capture.record.place import record_folder
    from capture.review.lookups_index import open_index
    from capture.review.lookups_table import as_csv as csv_text
    from capture.review.lookups_table import as_json as json_text
    from capture.review.lookups_table import as_text

    if as_csv and as_json:
        raise UsageError("Both --json and --csv were given; choose one.")
    folder = record_folder(record)
    with on_terminal("indexing") as progress, open_index(folder, progress) as index:
        table = ask(index, limit or None)
    if as_json:
        click.echo(json_text(table, record=str(folder)))
    elif as_csv:
        click.echo(csv_text(table), nl=False)
    else:
        click.echo(as_text(table))
    if table.total > len(table.rows):
        click.echo(f"{len(table.rows)} of {table.total} shown; --limit 0 shows all.", err=True)
    return 0
