"""``benchwitness people``: who may log in from the network, and as what."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capture.commands.keeping import json_option

if TYPE_CHECKING:
    from capture.bench.gate.people import People, Person

_FILE = click.option(
    "--people",
    "path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The list of people; else $BENCHWITNESS_PEOPLE, else in the user's configuration folder.",
)
_ROLES = click.option(
    "--role",
    "roles",
    multiple=True,
    required=True,
    type=click.Choice(["technician", "reviewer", "reader"]),
    help="technician runs jobs and comments, reviewer decides and signs, reader only looks; may be given repeatedly.",
)
_PASSPHRASE = click.option(
    "--passphrase-file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Read the passphrase from the first line of FILE; else $BENCHWITNESS_PASSPHRASE, else ask.",
)


@click.group()
def command() -> None:
    """Say who may log in to 'benchwitness bench --lan', and as what.

    The list is a file of this machine's user and no part of a record. Whatever is changed here holds at once, also for
    pages that are open. Records keep the names of those who worked, whoever is removed here.
    """


@command.command("add")
@click.argument("name")
@_ROLES
@_PASSPHRASE
@_FILE
def add(name: str, roles: tuple[str, ...], passphrase_file: Path | None, path: Path | None) -> int:
    """Give NAME a login."""
    from capture.commands.keeping import passphrase

    person = _people(path).add(name, roles, passphrase(passphrase_file, twice=True))
    click.echo(_line(person))
    return 0


@command.command("list")
@click.option("--all", "removed", is_flag=True, help="Also those whose login was removed.")
@_FILE
@json_option
def show(removed: bool, path: Path | None, as_json: bool) -> int:
    """List who may log in."""
    people = _people(path)
    found = [one for one in people.everybody() if removed or one.removed is None]
    if as_json:
        listed = [{"name": p.name, "roles": p.roles, "since": p.since, "removed": p.removed} for p in found]
        click.echo(json.dumps(listed, ensure_ascii=False, indent=2))
        return 0
    for person in found:
        click.echo(_line(person))
    if not found:
        click.echo(f"{people.path}: nobody yet; 'benchwitness people add NAME --role technician'.", err=True)
    return 0


@command.command("role")
@click.argument("name")
@_ROLES
@_FILE
def role(name: str, roles: tuple[str, ...], path: Path | None) -> int:
    """Let NAME act as something else."""
    click.echo(_line(_people(path).set_roles(name, roles)))
    return 0


@command.command("passphrase")
@click.argument("name")
@_PASSPHRASE
@_FILE
def new_passphrase(name: str, passphrase_file: Path | None, path: Path | None) -> int:
    """Give NAME another passphrase, and end the sessions begun with the old one."""
    from capture.commands.keeping import passphrase

    click.echo(_line(_people(path).set_passphrase(name, passphrase(passphrase_file, twice=True))))
    return 0


@command.command("remove")
@click.argument("name")
@_FILE
def remove(name: str, path: Path | None) -> int:
    """Take NAME's login away; the name stays in every record."""
    person = _people(path).remove(name)
    click.echo(f"{person.name} can no longer log in; records keep the name.")
    return 0


def _people(path: Path | None) -> People:
    from capture.bench.gate.people import People, people_file

    return People(path or people_file())


def _line(person: Person) -> str:
    what = ", ".join(person.roles) if person.removed is None else f"removed {person.removed[:10]}"
    return f"{person.name}\t{what}"
