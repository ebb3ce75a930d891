"""``benchwitness jobs``: the jobs of a record."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capture.commands.keeping import record_option

if TYPE_CHECKING:
    from capture.record import JobSummary


@click.command()
@record_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(record: Path | None, as_json: bool) -> int:
    """List the jobs of a record: id, when begun, unit, procedure, rows, warnings, and whether it ended.

    The answer comes from the same index beside the ledger as that of 'find'.
    """
    from capture.commands.progress import on_terminal
    from capture.record.place import record_folder
    from capture.review.job_ids import summaries
    from capture.review.lookups_index import open_index

    with on_terminal("indexing") as progress, open_index(record_folder(record), progress) as index:
        jobs = summaries(index)
    if as_json:
        click.echo(json.dumps([asdict(job) for job in jobs], ensure_ascii=False, indent=2))
    else:
        click.echo("\n".join(_line(job) for job in jobs) or "no jobs yet")
    return 0


def _line(job: JobSummary) -> str:
    from capture.review.wording import clean, count

    state = "ended" if job.ended else "not ended"
    told = (
        job.job,
        job.opened[:16].replace("T", " "),
        job.unit or "unit not identified",
        job.procedure or "no procedure",
        count(job.rows, "row"),
        count(job.warnings, "warning"),
        state,
    )
    return "  ".join(clean(part) for part in told)
