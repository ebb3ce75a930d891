"""``benchwitness target``: a printable target at true scale and the setup fragment that belongs to it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, cast

import click

_LAYOUTS = ("single", "pair", "arch", "charuco", "standing", "calibration")


@click.command("target")
@click.argument("layout", type=click.Choice(_LAYOUTS))
@click.option(
    "--out",
    "out",
    required=True,
    type=click.Path(path_type=Path),
    help="Where to write, without ending: OUT.svg, OUT.pdf and OUT.toml are made.",
)
@click.option(
    "--rim", "rim", type=float, default=60.0, show_default=True, help="The case's outermost rim diameter, mm."
)
@click.option("--marker", type=float, default=20.0, show_default=True, help="Side of a marker, mm.")
@click.option("--gap", type=float, default=6.0, show_default=True, help="Free space between case and card, mm.")
@click.option("--dictionary", default=None, help="OpenCV's name of the marker dictionary.")
@click.option("--first-id", type=int, default=0, show_default=True, help="Id of the first marker.")
@click.option(
    "--side",
    type=click.Choice(["left", "right"]),
    default="right",
    show_default=True,
    help="Where a single card stands.",
)
@click.option("--page", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="The paper's size.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(
    layout: str,
    out: Path,
    rim: float,
    marker: float,
    gap: float,
    dictionary: str | None,
    first_id: int,
    side: str,
    page: str,
    as_json: bool,
) -> None:
    """Draw the LAYOUT target as SVG and PDF at true scale, with a ruler to check the print."""
    if not (5 <= rim <= 500 and 4 <= marker <= 150 and 0 <= gap <= 100 and first_id >= 0):
        raise click.UsageError(
            "--rim, --marker, --gap or --first-id is out of reason; give millimetres and a whole number"
        )
    from vision.targets import draw, to_pdf, to_svg

    kind = dictionary or ("DICT_5X5_100" if layout == "calibration" else "DICT_4X4_50")
    sheet = draw(
        cast(Any, layout),
        rim_diameter_mm=rim,
        marker_mm=marker,
        dictionary=kind,
        first_id=first_id,
        gap_mm=gap,
        page=page,
        side=cast(Any, side),
    )
    written = []
    try:
        for ending, data in (
            (".svg", to_svg(sheet).encode()),
            (".pdf", to_pdf(sheet)),
            (".toml", sheet.setup.encode()),
        ):
            path = out.with_name(out.name + ending)
            path.write_bytes(data)
            written.append(path)
    except OSError as error:
        raise click.UsageError(f"{out}: cannot be written ({error.strerror}); choose another place") from error
    names = [str(path) for path in written]
    click.echo(json.dumps({"files": names}, indent=2) if as_json else "\n".join(names))
    click.echo("Print at 100 %, then measure the ruler before using the card.", err=True)
