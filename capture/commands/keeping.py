"""What the commands that keep the record share: options, passphrases, the present moment."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from capture.record.signatures import Signed
    from capture.record.signing import Moment, Signer

PASSPHRASE = "BENCHWITNESS_PASSPHRASE"
"""The environment variable that holds a key's passphrase, for work without a terminal."""

_F = TypeVar("_F", bound=Callable[..., Any])


def record_option(command: _F) -> _F:
    """Give a command the option ``--record`` (argument ``record``: Path or None)."""
    return click.option(
        "--record",
        type=click.Path(path_type=Path),
        metavar="FOLDER",
        help="The record's folder; else $BENCHWITNESS_RECORD, else ./benchwitness-record.",
    )(command)


def json_option(command: _F) -> _F:
    """Give a command the flag ``--json`` (argument ``as_json``)."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON.")(command)


def key_options(command: _F) -> _F:
    """Give a command ``--key`` and ``--passphrase-file`` (arguments ``key`` and ``passphrase_file``)."""
    file = click.option(
        "--passphrase-file",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help=f"Read the key's passphrase from the first line of FILE; else ${PASSPHRASE}, else ask.",
    )
    key = click.option(
        "--key",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="The private key's file; else the person's only key in the keys folder.",
    )
    return key(file(command))


def now() -> Moment:
    """The present moment, in a session of its own."""
    import secrets
    import time
    from datetime import datetime

    from capture.record.signing import Moment
    from capture.record.times import format_time
    from capture.record.uuid7 import uuid7

    session = str(uuid7(time.time_ns() // 1_000_000, secrets.token_bytes(10)))
    return Moment(format_time(datetime.now().astimezone()), session)


def passphrase(file: Path | None, *, twice: bool = False) -> str:
    """A key's passphrase: from ``file``, the environment, or asked for (``twice`` for a new one).

    Raises:
        UsageError: the file cannot be read.
    """
    from capture.errors import UsageError

    if file is not None:
        try:
            return file.read_text("utf-8").splitlines()[0]
        except (OSError, UnicodeDecodeError, IndexError) as error:
            raise UsageError(f"{file}: no passphrase can be read from it; write it into the first line.") from error
    given = os.environ.get(PASSPHRASE)
    if given is not None:
        return given
    asked: str = click.prompt("Passphrase", hide_input=True, confirmation_prompt=twice, err=True)
    return asked


def signer(person: str, key: Path | None, passphrase_file: Path | None) -> Signer:
    """Unlock a person's key.

    Raises:
        UsageError: there is no such key, it belongs to somebody else, or the passphrase is wrong.
    """
    from capture.errors import UsageError
    from capture.record.keys import find_key, keys_folder, list_keys, load_private, same_person
    from capture.record.signing import Signer

    path = key or find_key(keys_folder(), person).private
    unlocked = Signer(" ".join(person.split()), load_private(path, passphrase(passphrase_file)))
    owners = [known.person for known in list_keys(path.parent) if known.id == unlocked.key]
    if owners and not any(same_person(person, owner) for owner in owners):
        raise UsageError(f"{path}: this is the key of {owners[0]}, not of {person}; name the right person or key.")
    return unlocked


def key_doubts(signed: Iterable[Signed]) -> list[str]:
    """A sentence for each key that signed and is not trusted here as that of the person it signed for."""
    from capture.record.keys import keys_folder, readable
    from capture.record.trust import trusted

    trust = trusted(keys_folder())
    pairs = dict.fromkeys((one.key, one.person) for one in signed)
    found = ((key, person, trust.doubt(key, person)) for key, person in pairs)
    return [f"signed as {person} with key {readable(key)}: {doubt}" for key, person, doubt in found if doubt]
