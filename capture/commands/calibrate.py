"""``benchwitness calibrate``: photographs of a printed board to a camera file."""

from __future__ import annotations

import json
import re
from pathlib import Path

import click


def _board(text: str) -> tuple[int, int, float, float | None, str | None]:
    m = re.fullmatch(r"(\d+)x(\d+):([\d.]+)(?:/([\d.]+))?(?::(DICT_\w+))?", text)
    if m is None:
        raise click.UsageError(
            f"'{text}' is no board; give ACROSSxDOWN:SQUARE/MARKER:DICTIONARY in mm, for example "
            "7x9:24/17.28:DICT_5X5_100, or inner corners and square of a chessboard, 9x6:25"
        )
    return int(m[1]), int(m[2]), float(m[3]), float(m[4]) if m[4] else None, m[5]


@click.command("calibrate")
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--board", required=True, help="ACROSSxDOWN:SQUARE/MARKER[:DICTIONARY] (mm), or 9x6:25 for a plain chessboard."
)
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Camera file to write (JSON).")
@click.option("--name", default="camera", show_default=True, help="The camera's name in the file.")
@click.option("--json", "as_json", is_flag=True, help="Print the quality figures as JSON.")
@click.pass_context
def command(ctx: click.Context, photos: tuple[Path, ...], board: str, out: Path, name: str, as_json: bool) -> None:
    """Calibrate a camera from PHOTOS of a printed board.

    Exit code 0: good; 1: done, with advice; 4: not possible with these photographs.
    """
    across, down, square, marker, dictionary = _board(board)
    from vision import Board, calibrate, load_photo
    from vision.setups import camera_to_mapping

    kind = "chessboard" if marker is None else "charuco"
    made = Board(across, down, square, kind, marker or 0.0, dictionary or "DICT_5X5_100")  # type: ignore[arg-type]
    loaded = []
    for k, path in enumerate(photos, 1):
        click.echo(f"reading {k} of {len(photos)}: {path}", err=True)
        loaded.append(load_photo(path))
    result = calibrate(loaded, made, name=name)
    table = camera_to_mapping(result.camera)
    facts = {
        "rms_px": round(result.rms_px, 4),
        "coverage": round(result.coverage, 3),
        "photos_used": len(result.used),
        "words": list(result.words),
    }
    table["quality"] = facts
    try:
        out.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise click.UsageError(f"{out}: cannot be written ({error.strerror}); choose another place") from error
    for k, why in result.left_out:
        click.echo(f"{photos[k]}: left out, {why}", err=True)
    click.echo(json.dumps(facts, indent=2) if as_json else "\n".join(result.words))
    ctx.exit(0 if result.good else 1)
