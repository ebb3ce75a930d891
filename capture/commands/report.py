"""``benchwitness report``: one job as a single HTML file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capture.commands.keeping import record_option

if TYPE_CHECKING:
    from capture.record import Record


@click.command()
@click.argument("job", required=False)
@record_option
@click.option("--out", type=click.Path(path_type=Path), help="The file to write; else report-JOB.html here.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(job: str | None, record: Path | None, out: Path | None, as_json: bool) -> int:
    """Write the report of JOB, its id or the beginning or end of it; without it, of the record's latest job.

    The file carries its sound and pictures inside and needs no network. Leaves with 1 when a clip or picture of the
    job is missing or changed and could not be shown.
    """
    from capture.record import Record
    from capture.record.place import record_folder
    from capture.record.trouble import told_plainly
    from capture.review.report import make_report

    folder = record_folder(record)
    with Record.open(folder, writing=False) as opened:
        chosen = _chosen(opened, job)
        report = make_report(opened, chosen)
        head = opened.head()
    target = out or Path(f"report-{chosen}.html")
    with told_plainly(target):
        target.write_text(report.html, "utf-8")
    for sentence in report.unshown:
        click.echo(f"could not be shown: {sentence}", err=True)
    if as_json:
        facts = {"job": chosen, "record": str(folder), "report": str(target), "unshown": list(report.unshown)}
        click.echo(json.dumps({**facts, "head": {"seq": head.seq, "hash": head.hash}}, ensure_ascii=False, indent=2))
    else:
        click.echo(f"report  {target}\nhead    row {head.seq}, {head.hash}")
    return 1 if report.unshown else 0


def _chosen(record: Record, wanted: str | None) -> str:
    from capture.errors import UsageError
    from capture.record.admin import latest_job
    from capture.review.job_ids import find_job

    if wanted is not None:
        return find_job(record, wanted)
    latest = latest_job(record)
    if latest is None:
        raise UsageError(f"{record.folder}: the record holds no job yet; make one with 'benchwitness run'.")
    return latest
