"""``benchwitness review``: hear, see and decide on what the bench recorded."""

from __future__ import annotations

from pathlib import Path

import click

from capture.commands.keeping import record_option


@click.command()
@record_option
@click.option("--setup", "setups", multiple=True, metavar="VIEW=FILE", help="Setup to measure pictures again with.")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=8751, show_default=True, help="Port; 0 takes any free one."
)
def command(record: Path | None, setups: tuple[str, ...], port: int) -> int:
    """Show the jobs of a record on pages of this machine: hear every reading, see every picture, accept, query, reject,
    correct, measure again, sign; and look up parts, gauges and units across all jobs.

    Whatever a reviewer does is a new row of the record; nothing is ever changed. The same pages are part of
    'benchwitness bench', under Review. A review does not replace the maker's manual, local rules or a qualified person.
    """
    from capture.review.pages.start import run

    return run(record, dict(_pair(text) for text in setups), port)


def _pair(text: str) -> tuple[str, Path]:
    view, sign, name = text.partition("=")
    if not sign or not view or not name:
        raise click.BadParameter(f"'{text}': write VIEW=FILE", param_hint="--setup")
    return view, Path(name)
