"""``benchwitness run``: a folder of sound and photographs becomes a job record."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--procedure", help="A shipped procedure's id or a TOML file.")
@click.option("--technician", help="Who did the work.")
@click.option("--workshop", help="Where it was done.")
@click.option("--reference", help="The owner's reference.")
@click.option("--setup", "setups", multiple=True, metavar="VIEW=FILE", help="Measuring setup of a photo view.")
@click.option("--model", type=click.Path(path_type=Path), help="Another Vosk model directory.")
@click.option("--record", "place", type=click.Path(path_type=Path), help="The record's folder.")
@click.option("--report", type=click.Path(path_type=Path), help="Also write the report to this HTML file.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(
    folder: Path,
    procedure: str | None,
    technician: str | None,
    workshop: str | None,
    reference: str | None,
    setups: tuple[str, ...],
    model: Path | None,
    place: Path | None,
    report: Path | None,
    as_json: bool,
) -> int:
    """Make a job record from FOLDER: sound and pictures, in the order of the times they were captured.

    A file job.toml in FOLDER may say everything that the options say, and when each file was captured.
    """
    from capture.bench.plan import Overrides
    from capture.bench.work import run_folder, show

    overrides = Overrides(procedure, technician, workshop, reference, model, dict(_pair(text) for text in setups))
    result = run_folder(folder, overrides, place, report, quiet=as_json)
    return show(result, as_json)


def _pair(text: str) -> tuple[str, Path]:
    view, sign, name = text.partition("=")
    if not sign or not view or not name:
        raise click.BadParameter(f"'{text}': write VIEW=FILE", param_hint="--setup")
    return view, Path(name)
