"""``benchwitness export``: jobs into a bag that proves itself elsewhere."""

from __future__ import annotations

import json
from pathlib import Path

import click

from capture.commands.keeping import json_option, record_option


@click.command()
@click.argument("jobs", nargs=-1, metavar="[JOB]...")
@click.option("--all", "every", is_flag=True, help="Export all jobs.")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FOLDER|FILE.zip",
    help="The new folder, or the new archive when its name ends in .zip.",
)
@click.option("--source", default="", metavar="NAME", help="Who sends it, for the receiver.")
@click.option("--no-report", is_flag=True, help="Leave the HTML reports out.")
@record_option
@json_option
def command(
    jobs: tuple[str, ...],
    every: bool,
    out: Path,
    source: str,
    no_report: bool,
    record: Path | None,
    as_json: bool,
) -> int:
    """Write JOBs, whole, into a new bag (BagIt 1.0): rows, clips and pictures, public keys, signatures, reports.

    The bag can be checked without this program, and 'benchwitness import' takes it into another record. It holds
    voices, which are personal data: send it to those only who may hear them.
    """
    from capture.commands.keeping import now
    from capture.commands.progress import on_terminal
    from capture.errors import UsageError
    from capture.record import Record
    from capture.record.admin import job_ids
    from capture.record.bag import export_bag
    from capture.record.place import record_folder
    from capture.review.job_ids import find_job

    if every == bool(jobs):
        raise UsageError("Name the jobs to export, or give --all; 'benchwitness jobs' lists them.")
    with on_terminal("exporting") as progress, Record.open(record_folder(record), writing=False) as opened:
        wanted = job_ids(opened) if every else [find_job(opened, job) for job in jobs]
        reports = {} if no_report else _reports(opened, wanted)
        done = export_bag(opened, wanted, out, at=now().at, source=source, reports=reports, progress=progress)
    if as_json:
        click.echo(json.dumps({**done.__dict__, "path": str(done.path)}, ensure_ascii=False, indent=2))
    else:
        click.echo(f"{done.path}: {done.jobs} jobs, {done.rows} rows, {done.links} links, {done.media} files")
        if done.purged:
            click.echo(f"{done.purged} files are not in it: they were purged on purpose.")
    return 0


def _reports(record: object, jobs: list[str]) -> dict[str, str]:
    from typing import cast

    from capture.record import Record
    from capture.review.report import report_html

    return {job: report_html(cast(Record, record), job) for job in jobs}
