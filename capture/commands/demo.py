"""``benchwitness demo``: a whole job from the demonstration's sound and photographs."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("benchwitness-demo"),
    show_default=True,
    help="Where the record and the report go; a folder that is not there yet, or an earlier demo's.",
)
@click.option("--job", default="lever-valve", show_default=True, help="Which demonstration job.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(out: Path, job: str, as_json: bool) -> int:
    """Hear and measure the demonstration job and say where its record and report lie.

    Some of its values are out of limits on purpose, so the exit code is 1: done, with warnings.
    """
    from capture.bench.demo import demo_folder, fresh
    from capture.bench.plan import Overrides
    from capture.bench.work import run_folder, show

    place = fresh(out)
    result = run_folder(demo_folder(job), Overrides(), place / "record", place / "report.html", quiet=as_json)
    return show(result, as_json)
