"""``benchwitness key``: make and list the keys that jobs are signed with."""

from __future__ import annotations

import json
from pathlib import Path

import click

from capture.commands.keeping import json_option


@click.group()
def command() -> None:
    """Make and list the keys that persons sign jobs with.

    A key is one person's own. Its private half is encrypted by a passphrase and lies in the user's configuration folder
    ($BENCHWITNESS_KEYS names another one); its public half goes into every job that is signed with it.
    """


@command.command("new")
@click.option("--person", required=True, metavar="NAME", help="Whose key it is; the name that signatures will carry.")
@click.option("--folder", type=click.Path(path_type=Path), help="Where to put it; else the keys folder.")
@click.option(
    "--passphrase-file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Read the passphrase from the first line of FILE; else $BENCHWITNESS_PASSPHRASE, else ask.",
)
@json_option
def new(person: str, folder: Path | None, passphrase_file: Path | None, as_json: bool) -> int:
    """Make a new Ed25519 key for a person."""
    from capture.commands.keeping import passphrase
    from capture.record.keys import keys_folder, new_key, readable

    key = new_key(folder or keys_folder(), person, passphrase(passphrase_file, twice=True))
    if as_json:
        click.echo(json.dumps({"person": key.person, "key": key.id, "file": str(key.private)}, ensure_ascii=False))
        return 0
    click.echo(f"key of {key.person}\n  file  {key.private}\n  id    {readable(key.id)}")
    click.echo("Keep the id on paper, signed by hand: it shows whose key it is. A lost passphrase cannot be reset.")
    return 0


@command.command("list")
@click.option("--folder", type=click.Path(path_type=Path), help="Where to look; else the keys folder.")
@json_option
def show(folder: Path | None, as_json: bool) -> int:
    """List the keys in the keys folder."""
    from capture.record.keys import keys_folder, list_keys, readable

    place = folder or keys_folder()
    keys = list_keys(place)
    if as_json:
        listed = [{"person": key.person, "key": key.id, "file": str(key.private)} for key in keys]
        click.echo(json.dumps(listed, ensure_ascii=False, indent=2))
        return 0
    for key in keys:
        click.echo(f"{key.person}\n  file  {key.private}\n  id    {readable(key.id)}")
    if not keys:
        click.echo(f"{place}: no keys yet; make one with 'benchwitness key new --person NAME'.", err=True)
    return 0
