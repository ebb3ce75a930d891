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
    """List the keys in the keys folder, and those that are trusted beside them."""
    from capture.record.keys import keys_folder, list_keys, readable
    from capture.record.trust import trusted

    place = folder or keys_folder()
    keys = list_keys(place)
    own = {key.id for key in keys}
    others = {key: person for key, person in trusted(place).keys.items() if key not in own}
    if as_json:
        listed = [{"person": key.person, "key": key.id, "file": str(key.private)} for key in keys]
        listed += [{"person": person, "key": key, "file": ""} for key, person in others.items()]
        click.echo(json.dumps(listed, ensure_ascii=False, indent=2))
        return 0
    for key in keys:
        click.echo(f"{key.person}\n  file  {key.private}\n  id    {readable(key.id)}")
    for id_, person in others.items():
        click.echo(f"{person}\n  trusted, its private half is elsewhere\n  id    {readable(id_)}")
    if not keys and not others:
        click.echo(f"{place}: no keys yet; make one with 'benchwitness key new --person NAME'.", err=True)
    return 0


_folder = click.option("--folder", type=click.Path(path_type=Path), help="The keys folder; else the usual one.")


@command.command("trust")
@click.argument("key", metavar="ID")
@click.option("--person", required=True, metavar="NAME", help="Whose key it is.")
@_folder
def trust(key: str, person: str, folder: Path | None) -> int:
    """Trust the key with this ID (64 digits, spaces do not matter) as that of a person.

    Compare the ID with its owner first, on paper or by telephone. Anybody can make a key with any name on it: 'verify',
    'import', 'sign --show' and 'certificate' say so of every key that is not trusted here.
    """
    from capture.record.keys import keys_folder, readable
    from capture.record.trust import trust as put_on_list

    id_ = put_on_list(folder or keys_folder(), key, person)
    click.echo(f"trusted as the key of {' '.join(person.split())}\n  id    {readable(id_)}")
    return 0


@command.command("distrust")
@click.argument("key", metavar="ID")
@_folder
def distrust(key: str, folder: Path | None) -> int:
    """Take the key with this ID off the list of trusted keys."""
    from capture.record.keys import keys_folder
    from capture.record.trust import distrust as take_off_list

    click.echo(f"no longer trusted as the key of {take_off_list(folder or keys_folder(), key)}")
    return 0
