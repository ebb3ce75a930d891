"""``benchwitness measure``: photographs of one view to a height, its uncertainty and an annotated picture."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from vision import Burst, Measurement, Refusal


def _point(text: str) -> tuple[float, float]:
    try:
        x, y = (float(v) for v in text.split(","))
    except ValueError as error:
        raise click.UsageError(f"'{text}' is no point; give it as X,Y in pixels, for example 812.5,440") from error
    return x, y


@click.command("measure")
@click.argument("photos", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--setup",
    "setup_file",
    required=True,
    type=click.Path(path_type=Path),
    help="Setup file (TOML or JSON): camera, target, case.",
)
@click.option("--calibration", metavar="NAME|FILE", help="Take this camera of the setup's folder, or this camera file.")
@click.option("--camera", "wanted", metavar="NAME", help="Take the pictures now with this camera: number or name.")
@click.option("--keep", type=click.Path(path_type=Path), help="Keep the frames that the camera took in this folder.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option(
    "--overlay", "overlay_file", type=click.Path(path_type=Path), help="Write the annotated picture (JPEG) here."
)
@click.option("--limits", nargs=2, type=float, help="Lower and upper limit in mm, drawn into the annotated picture.")
@click.option("--tip", help="Where the tip is, X,Y in pixels of the upright picture, if it is not found by itself.")
@click.option("--rim", multiple=True, help="A point of the rim's upper outline, X,Y in pixels; at least three.")
@click.option(
    "--shown",
    type=float,
    default=1.0,
    show_default=True,
    help="Pixels of the photograph to one of the picture on which the points were read; more is less certain.",
)
@click.pass_context
def command(
    ctx: click.Context,
    photos: tuple[Path, ...],
    setup_file: Path,
    calibration: str | None,
    wanted: str | None,
    keep: Path | None,
    as_json: bool,
    overlay_file: Path | None,
    limits: tuple[float, float] | None,
    tip: str | None,
    rim: tuple[str, ...],
    shown: float,
) -> None:
    """Measure a lever tip's height above the rim on PHOTOS: one, or several of one view.

    Several pictures of one view are measured one by one; the value is their mean, and their scatter goes into its
    uncertainty. A point given with --tip or --rim is taken instead of what would be found; the result is then marked
    as assisted.

    Exit code 0: measured; 1: measured with reservations; 4: cannot be measured.
    """
    if bool(photos) == bool(wanted):
        raise click.UsageError("give one or more photographs of one view, or --camera, and not both")
    if (tip or rim) and len(photos) != 1:
        raise click.UsageError("--tip and --rim belong to one photograph; give that alone")
    from vision import Burst, burst_json, load_photo, load_setup, measure_at, measure_burst, overlay, to_json

    setup = load_setup(setup_file, camera=calibration)
    sources: list[Path | bytes] = list(photos) if photos else list(_taken(str(wanted), keep))
    if tip or rim:
        at = measure_at(
            load_photo(sources[0]), setup, tip=_point(tip) if tip else None, rim=[_point(r) for r in rim], shown=shown
        )
        burst = Burst(at, (at,), 0)
    else:
        burst = measure_burst((load_photo(source) for source in sources), setup)
    if overlay_file is not None:
        drawn = overlay(load_photo(sources[burst.shown]), burst.result, limits=limits or None)
        _write(overlay_file, drawn)
    facts = burst_json(burst) if len(sources) > 1 else to_json(burst.result)
    click.echo(json.dumps(facts, indent=2) if as_json else _text(burst))
    ctx.exit(_code(burst.result))


def _taken(wanted: str, keep: Path | None) -> tuple[bytes, ...]:
    """The best frames of a second of a camera."""
    from capture.camera import open_camera, take

    source = open_camera(wanted)
    try:
        shot = take(source)
    finally:
        source.close()
    files = (shot.data, *shot.more)
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        for number, data in enumerate(files):
            _write(keep / f"{Path(shot.name).stem}-{number}{Path(shot.name).suffix}", data)
    return files


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as error:
        raise click.UsageError(f"{path}: cannot be written ({error.strerror}); choose another place") from error


def _code(result: Measurement | Refusal) -> int:
    if hasattr(result, "reason"):
        return 4
    return 1 if result.flags else 0


def _text(burst: Burst) -> str:
    from vision import Measurement, Refusal

    result = burst.result
    if isinstance(result, Refusal):
        return f"not measured ({result.reason}): {result.sentence}"
    from vision.report import CAUTION

    lines = [f"height {result.value_mm:.3f} mm, expanded uncertainty {result.expanded_mm:.3f} mm (k = {result.k:.0f})"]
    if result.tilt_deg is not None:
        lines.append(f"tilt {result.tilt_deg:.1f} degrees, standard uncertainty {result.tilt_u_deg:.1f}")
    if result.assisted:
        lines.append("assisted: points were given by a person")
    if len(burst.frames) > 1:
        said = [f"{one.value_mm:.3f}" if isinstance(one, Measurement) else one.reason for one in burst.frames]
        lines.append(f"frames: {', '.join(said)}")
    lines += [f"{flag.id}: {flag.sentence}" for flag in result.flags]
    lines.append("uncertainty budget (standard uncertainty of the height, mm):")
    lines += [f"  {row.contribution_mm:.3f}  {row.source}" for row in result.budget]
    lines.append(CAUTION)
    return "\n".join(lines)
