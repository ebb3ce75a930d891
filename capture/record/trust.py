"""Which keys are trusted here: a list that a workshop keeps, beside the keys of its own people.

A signature proves that somebody had the key, not who that was; anybody can make a key with any name on it. So the ids
of keys that were compared with their owners, on paper or by telephone, are written into ``trusted.txt`` in the keys
folder, one a line: the key's id and the person. Keys whose private half lies in that folder count as well. The list
belongs to this machine: it is no part of a record and does not travel with one.
"""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from capture.errors import UsageError
from capture.record.keys import list_keys, same_person
from capture.record.trouble import told_plainly

NAME = "trusted.txt"
_ID = re.compile(r"[0-9a-f]{64}")
_HEADER = "# Keys that were compared with their owners: the key's id, then the person.\n"


@dataclass(frozen=True)
class Trust:
    """Key ids that are trusted, each with the person whose key it is."""

    keys: Mapping[str, str]

    def doubt(self, key: str, person: str) -> str | None:
        """Why a signature with this key in this person's name is not to be taken as that person's, or None."""
        owner = self.keys.get(key)
        if owner is None:
            return "the key is unknown here: anybody can make one with that name; compare its id with its owner"
        if not same_person(owner, person):
            return f"the key is known here as that of {owner}; ask both persons"
        return None


def trusted(folder: Path) -> Trust:
    """What is trusted, by the list and the keys in a keys folder.

    Raises:
        UsageError: a line of the list cannot be read.
        EnvironmentFault: the list cannot be read.
    """
    own = {key.id: key.person for key in list_keys(folder) if key.private.is_file()}
    return Trust({**own, **_listed(folder / NAME)})


def trust(folder: Path, key: str, person: str) -> str:
    """Put a key on the list.

    Args:
        folder: the keys folder, made when missing.
        key: its id, 64 hexadecimal digits; spaces in it do not matter.
        person: whose key it is.

    Returns:
        The key's id as it was written.

    Raises:
        UsageError: the id is none, nobody is named, or the key is on the list as somebody else's.
        EnvironmentFault: the list cannot be written.
    """
    id_, name = _cleaned(key), " ".join(person.split())
    if not name or not name.isprintable() or len(name) > 100:
        raise UsageError("A trusted key needs its owner's name, at most 100 characters on one line; give --person.")
    path = folder / NAME
    known = _listed(path)
    if id_ in known and not same_person(known[id_], name):
        raise UsageError(f"{path}: this key is listed as that of {known[id_]}; distrust it first if that is wrong.")
    with told_plainly(path):
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        _write(path, {**known, id_: name})
    return id_


def distrust(folder: Path, key: str) -> str:
    """Take a key off the list; returns the person it was listed for.

    Raises:
        UsageError: it is not on the list.
        EnvironmentFault: the list cannot be written.
    """
    path, id_ = folder / NAME, _cleaned(key)
    known = _listed(path)
    if id_ not in known:
        raise UsageError(f"{path}: this key is not on the list; 'benchwitness key list' shows what is.")
    person = known.pop(id_)
    with told_plainly(path):
        _write(path, known)
    return person


def _cleaned(key: str) -> str:
    id_ = re.sub(r"[\s:-]", "", key).lower()
    if not _ID.fullmatch(id_):
        raise UsageError(f"{key!r} is no key's id; give its 64 hexadecimal digits, as 'key list' and 'verify' do.")
    return id_


def _listed(path: Path) -> dict[str, str]:
    with told_plainly(path):
        try:
            text = path.read_bytes().decode("utf-8", errors="replace")
        except FileNotFoundError:
            return {}
    found: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip() or line.startswith("#"):
            continue
        key, _, person = line.partition(" ")
        if not _ID.fullmatch(key) or not person.strip():
            raise UsageError(f"{path}: line {number} is not a key's id and a person; correct or remove the line.")
        found[key] = person.strip()
    return found


def _write(path: Path, keys: Mapping[str, str]) -> None:
    incoming = path.with_name(f".incoming-{secrets.token_hex(4)}")
    lines = "".join(f"{key} {person}\n" for key, person in sorted(keys.items(), key=lambda item: item[1].casefold()))
    try:
        with incoming.open("x", encoding="utf-8") as stream:
            stream.write(_HEADER + lines)
            stream.flush()
            os.fsync(stream.fileno())
        incoming.replace(path)
    except BaseException:
        incoming.unlink(missing_ok=True)
        raise
