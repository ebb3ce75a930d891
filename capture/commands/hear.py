"""``benchwitness hear``: what is heard in sound files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from capture.speech import Heard


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--procedure", default="lever_valve", show_default=True, help="A shipped procedure's id, or a file.")
@click.option("--model", type=click.Path(path_type=Path), help="Another Vosk model directory.")
@click.option("--clips", type=click.Path(path_type=Path), help="Folder to keep each utterance in as a WAV file.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(files: tuple[Path, ...], procedure: str, model: Path | None, clips: Path | None, as_json: bool) -> int:
    """Show what is heard in sound FILES: words with times and confidence, and doubts. Nothing is recorded.

    Leaves with 1 when anything is doubtful or nothing was heard, 4 when a file cannot be read.
    """
    from capture.bench.hearing import recogniser_of
    from capture.procedure import find, load_procedure
    from capture.speech import AudioError, read_audio

    recogniser = recogniser_of(load_procedure(find(procedure)), model)
    shown: list[dict[str, Any]] = []
    code = 0
    for path in files:
        try:
            heard = recogniser.hear(read_audio(path))
        except AudioError as error:
            click.echo(str(error), err=True)
            code = error.exit_code
            continue
        if not heard or any(one.doubts for one in heard):
            code = max(code, 1)
        if clips:
            _keep(clips, path, heard)
        shown += [as_json_object(path, one) for one in heard]
        if not as_json:
            _show(path, heard)
    if as_json:
        click.echo(json.dumps(shown, ensure_ascii=False, indent=2))
    return code


def _keep(folder: Path, path: Path, heard: list[Heard]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for number, one in enumerate(heard, 1):
        (folder / f"{path.stem}-{number:03d}.wav").write_bytes(one.clip.wav_bytes())


def _show(path: Path, heard: list[Heard]) -> None:
    click.echo(f"{path.name}{'' if heard else ': nothing heard'}")
    for one in heard:
        click.echo(f"  {one.start_s:7.2f} to {one.end_s:7.2f} s  {one.text or '(no words)'}")
        weak = ", ".join(f"{w.text} {w.confidence:.2f}" for w in one.words if w.confidence < 0.9)
        if weak:
            click.echo(f"{'':23}confidence: {weak}")
        for doubt in one.doubts:
            click.echo(f"{'':23}doubt: {doubt.reason}")


def as_json_object(path: Path, one: Heard) -> dict[str, Any]:
    """An utterance as plain JSON."""
    return {
        "file": path.name,
        "start_s": round(one.start_s, 3),
        "end_s": round(one.end_s, 3),
        "text": one.text,
        "words": [
            {
                "text": w.text,
                "start_s": round(w.start_s, 3),
                "end_s": round(w.end_s, 3),
                "confidence": round(w.confidence, 4),
            }
            for w in one.words
        ],
        "doubts": [{"kind": d.kind, "first": d.first, "last": d.last, "reason": d.reason} for d in one.doubts],
        "second": one.second,
        "engine": one.engine,
    }
