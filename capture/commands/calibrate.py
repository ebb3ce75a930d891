"""``benchwitness calibrate``: photographs of a printed board, or a camera that looks at it, to a camera file."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from capture.camera.collect import Collected
    from vision import Board, Camera, Photo
    from vision.calibration import Calibration
    from vision.coverage import Coverage

EARLIER = "earlier"
"""Folder beside a camera file into which the one before it is put."""


def _board(text: str) -> Board:
    m = re.fullmatch(r"(\d+)x(\d+):([\d.]+)(?:/([\d.]+))?(?::(DICT_\w+))?", text)
    if m is None:
        raise click.UsageError(
            f"'{text}' is no board; give ACROSSxDOWN:SQUARE/MARKER:DICTIONARY in mm, for example "
            "7x9:24/17.28:DICT_5X5_100, or inner corners and square of a chessboard, 9x6:25"
        )
    from vision import Board

    kind = "chessboard" if m[4] is None else "charuco"
    return Board(int(m[1]), int(m[2]), float(m[3]), kind, float(m[4] or 0), m[5] or "DICT_5X5_100")  # type: ignore[arg-type]


@click.command("calibrate")
@click.argument("photos", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--board", required=True, help="ACROSSxDOWN:SQUARE/MARKER[:DICTIONARY] (mm), or 9x6:25 for a plain chessboard."
)
@click.option("--camera", "wanted", metavar="NAME", help="Collect with this camera: its number, or part of its name.")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    help="Camera file to write (JSON), or a folder of camera files: the file's name then says camera, size and focus.",
)
@click.option("--name", help="The camera's name in the file; else what its pictures call it.")
@click.option("--coverage", type=click.Path(path_type=Path), help="Keep a picture (JPEG) of the covered field here.")
@click.option("--keep", type=click.Path(path_type=Path), help="Keep the pictures that a camera took in this folder.")
@click.option("--json", "as_json", is_flag=True, help="Print the quality figures as JSON.")
@click.pass_context
def command(
    ctx: click.Context,
    photos: tuple[Path, ...],
    board: str,
    wanted: str | None,
    out: Path,
    name: str | None,
    coverage: Path | None,
    keep: Path | None,
    as_json: bool,
) -> None:
    """Calibrate a camera from PHOTOS of a printed board, or with --camera from what it sees now.

    While pictures are collected, it is said which part of the field is still missing. A camera file holds for one
    camera, lens, zoom and focus; a setup may name a folder of them, and each picture's own is taken.

    Exit code 0: good; 1: done, with advice; 4: not possible with these photographs.
    """
    made = _board(board)
    if bool(photos) == bool(wanted):
        raise click.UsageError("give photographs of the board, or --camera, and not both")
    show = _Shown(coverage)
    result = _from_files(photos, made, name, show) if photos else _from_camera(str(wanted), made, name, show, keep)
    facts: dict[str, Any] = {
        "rms_px": round(result.rms_px, 4),
        "coverage": round(result.coverage, 3),
        "photos_used": len(result.used),
        "words": list(result.words),
    }
    written, changed = _store(out, result, facts)
    if changed is not None:
        facts["agrees_with_earlier"], sentence = changed
        facts["words"].append(sentence)
    show.picture(result.field, None)
    for k, why in result.left_out:
        click.echo(f"{photos[k] if photos else f'picture {k + 1}'}: left out, {why}", err=True)
    click.echo(f"written: {written}", err=True)
    click.echo(json.dumps(facts, indent=2) if as_json else "\n".join(facts["words"]))
    ctx.exit(0 if result.good and (changed is None or changed[0]) else 1)


class _Shown:
    """Says and shows how far collecting has come."""

    def __init__(self, path: Path | None) -> None:
        self._path = path

    def words(self, coverage: Coverage, what: str) -> None:
        click.echo(f"{what}: {100 * coverage.share:.0f} % of the field covered", err=True)
        for sentence in coverage.missing()[:2]:
            click.echo(f"  {sentence}", err=True)

    def picture(self, coverage: Coverage, photo: Photo | None) -> None:
        if self._path is None:
            return
        from vision.coverage import draw

        _write(self._path, draw(coverage, photo))


def _from_files(photos: tuple[Path, ...], board: Board, name: str | None, show: _Shown) -> Calibration:
    from dataclasses import replace

    from vision import CalibrationError, load_photo
    from vision.calibration import corners_of, how_taken
    from vision.coverage import Coverage, view_of

    seen, bare = [], []
    coverage: Coverage | None = None
    for k, path in enumerate(photos, 1):
        photo = load_photo(path)
        coverage = coverage or Coverage(photo.size)
        if photo.size != coverage.size:
            raise CalibrationError(
                f"{path}: has {photo.size[0]} x {photo.size[1]} pixels, the first has {coverage.size[0]} x "
                f"{coverage.size[1]}; give pictures of one camera at one resolution"
            )
        points, corners = corners_of(photo, board)
        if len(points):
            coverage = coverage.with_view(view_of(points, corners, photo.size))
        show.words(coverage, f"{k} of {len(photos)}, {path.name}{'' if len(points) else ', board not found'}")
        show.picture(coverage, photo)
        seen.append((points, corners))
        bare.append(replace(photo, rgb=photo.rgb[..., :0]))
    taken = how_taken(bare, "")
    return _solved(seen, bare, replace(taken, name=name or taken.model or "camera"))


def _from_camera(wanted: str, board: Board, name: str | None, show: _Shown, keep: Path | None) -> Calibration:
    from capture.camera import open_camera
    from capture.camera.collect import collect
    from vision import CalibrationError
    from vision.calibration import how_taken

    def tell(got: Collected, photo: Photo) -> None:
        show.words(got.coverage, f"taken {len(got.seen)}")
        show.picture(got.coverage, photo)
        if keep is not None:
            ending = "png" if got.files[-1][:4] == b"\x89PNG" else "jpg"
            keep.mkdir(parents=True, exist_ok=True)
            _write(keep / f"{len(got.seen):03}.{ending}", got.files[-1])

    source = open_camera(wanted)
    click.echo(f"Hold the board before '{source.name}' and let it rest; Ctrl+C ends collecting.", err=True)
    try:
        got = collect(source, board, tell)
    finally:
        source.close()
    if got is None or not got.seen:
        raise CalibrationError(
            f"'{source.name}' did not see the board; check --board, give light, and hold it still and whole"
        )
    return _solved(got.seen, got.photos, how_taken(got.photos, name or source.name))


def _solved(seen: list[tuple[Any, Any]], photos: list[Photo], taken: Camera) -> Calibration:
    from dataclasses import replace

    from vision.calibration import FOCUS_CHANGED, one_focus, solve

    result = solve(seen, taken.image_size, taken)
    return result if one_focus(photos) else replace(result, words=(*result.words, FOCUS_CHANGED))


def _store(out: Path, result: Calibration, facts: dict[str, Any]) -> tuple[Path, tuple[bool, str] | None]:
    """Write the camera file; an earlier one of the same name is put aside, and compared with."""
    from vision import SetupError
    from vision.cameras import drift
    from vision.setups import camera_from_mapping, camera_to_mapping, read_table

    camera = result.camera
    path = out / f"{_plain(camera.name, camera.image_size, camera.focus)}.json" if out.is_dir() else out
    changed = None
    if path.exists():
        try:
            old = camera_from_mapping(read_table(path), where=str(path))
            changed = drift(old, camera)
        except SetupError:
            old = None
        aside = path.parent / EARLIER
        stamp = (old.calibrated or "")[:10] if old is not None else ""
        try:
            aside.mkdir(exist_ok=True)
            place = aside / f"{path.stem}{'-' + stamp if stamp else ''}.json"
            number = 1
            while place.exists():
                number += 1
                place = aside / f"{path.stem}{'-' + stamp if stamp else ''}-{number}.json"
            path.rename(place)
        except OSError as error:
            raise click.UsageError(f"{aside}: cannot be written ({error.strerror}); choose another place") from error
    text = json.dumps({**camera_to_mapping(camera), "quality": facts}, indent=1) + "\n"
    _write(path, text.encode())
    return path, changed


def _plain(name: str, size: tuple[int, int], focus: str | None) -> str:
    words = f"{name} {size[0]}x{size[1]} {focus or ''}".lower()
    return re.sub(r"[^a-z0-9.]+", "-", words).strip("-.")


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as error:
        raise click.UsageError(f"{path}: cannot be written ({error.strerror}); choose another place") from error
