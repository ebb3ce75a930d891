"""``benchwitness backup``: copy a record while it is in use, and verify the copy."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import click

from capture.commands.keeping import json_option, record_option


@click.command()
@click.argument("target", type=click.Path(path_type=Path))
@record_option
@json_option
def command(target: Path, record: Path | None, as_json: bool) -> int:
    """Copy the record to the new folder TARGET and verify the copy; work may go on meanwhile.

    Leaves with 3 when the copy does not prove itself. Keep copies on another machine: they hold voices, which are
    personal data.
    """
    from capture.commands.progress import on_terminal
    from capture.record.backup import backup
    from capture.record.place import record_folder

    folder = record_folder(record)
    with on_terminal("copying") as progress:
        found = backup(folder, target, progress)
    if as_json:
        click.echo(json.dumps({"copy": str(target), "ok": found.ok, **asdict(found)}, ensure_ascii=False, indent=2))
    else:
        click.echo(f"{target}: {found.rows} rows and {found.media} files copied and verified.")
        click.echo(f"head    row {found.head.seq}, {found.head.hash}")
    return 0
