"""``benchwitness measure``: one photograph to a height, its uncertainty and an annotated picture."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from vision import Measurement, Refusal


def _point(text: str) -> tuple[float, float]:
    try:
        x, y = (float(v) for v in text.split(","))
    except ValueError as error:
        raise click.UsageError(f"'{text}' is no point; give it as X,Y in pixels, for example 812.5,440") from error
    return x, y


@click.command("measure")
@click.argument("photo", type=click.Path(path_type=Path))
@click.option(
    "--setup",
    "setup_file",
    required=True,
    type=click.Path(path_type=Path),
    help="Setup file (TOML or JSON): camera, target, case.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option(
    "--overlay", "overlay_file", type=click.Path(path_type=Path), help="Write the annotated picture (JPEG) here."
)
@click.option("--limits", nargs=2, type=float, help="Lower and upper limit in mm, drawn into the annotated picture.")
@click.option("--tip", help="Where the tip is, X,Y in pixels, if it is not found by itself.")
@click.option("--rim", multiple=True, help="A point of the rim's upper outline, X,Y in pixels; at least three.")
@click.pass_context
def command(
    ctx: click.Context,
    photo: Path,
    setup_file: Path,
    as_json: bool,
    overlay_file: Path | None,
    limits: tuple[float, float] | None,
    tip: str | None,
    rim: tuple[str, ...],
) -> None:
    """Measure a lever tip's height above the rim on PHOTO.

    Exit code 0: measured; 1: measured with reservations; 4: cannot be measured.
    """
    given = {}
    if tip:
        given["tip"] = [_point(tip)]
    if rim:
        given["rim"] = [_point(r) for r in rim]
    from vision import load_photo, load_setup, measure, overlay, to_json

    setup = load_setup(setup_file)
    picture = load_photo(photo)
    result = measure(picture, setup, points=given or None)
    if overlay_file is not None:
        try:
            overlay_file.write_bytes(overlay(picture, result, limits=limits or None))
        except OSError as error:
            raise click.UsageError(
                f"{overlay_file}: cannot be written ({error.strerror}); choose another place"
            ) from error
    click.echo(json.dumps(to_json(result), indent=2) if as_json else _text(result))
    ctx.exit(_code(result))


def _code(result: Measurement | Refusal) -> int:
    if hasattr(result, "reason"):
        return 4
    return 1 if result.flags else 0


def _text(result: Measurement | Refusal) -> str:
    from vision import Refusal

    if isinstance(result, Refusal):
        return f"not measured ({result.reason}): {result.sentence}"
    from vision.report import CAUTION

    lines = [f"height {result.value_mm:.3f} mm, expanded uncertainty {result.expanded_mm:.3f} mm (k = {result.k:.0f})"]
    if result.tilt_deg is not None:
        lines.append(f"tilt {result.tilt_deg:.1f} degrees, standard uncertainty {result.tilt_u_deg:.1f}")
    if result.assisted:
        lines.append("assisted: points were given by a person")
    lines += [f"{flag.id}: {flag.sentence}" for flag in result.flags]
    lines.append("uncertainty budget (standard uncertainty of the height, mm):")
    lines += [f"  {row.contribution_mm:.3f}  {row.source}" for row in result.budget]
    lines.append(CAUTION)
    return "\n".join(lines)
