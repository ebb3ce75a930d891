"""Who may log in from the network, and as what: one small file of this machine's user, never part of a record.

A record that is copied, exported or handed over therefore carries nobody's passphrase. Names in records stay whatever
becomes of a login here.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, get_args

from capture.bench.gate.passphrase import check_new, fits, hashed
from capture.errors import EnvironmentFault, UsageError

VARIABLE = "BENCHWITNESS_PEOPLE"
Role = Literal["technician", "reviewer", "reader"]
ROLES: tuple[Role, ...] = get_args(Role)
LONGEST_NAME = 100
_VERSION = 1


@dataclass(frozen=True)
class Person:
    """Somebody with a login. ``kept`` is the passphrase's hash; a removed person has none, and no roles."""

    name: str
    roles: tuple[Role, ...]
    kept: str | None
    since: str
    removed: str | None = None


def people_file() -> Path:
    """Where this user's people are kept: the file in BENCHWITNESS_PEOPLE, else in the configuration folder."""
    import click

    given = os.environ.get(VARIABLE)
    return Path(given) if given else Path(click.get_app_dir("benchwitness")) / "people.json"


class People:
    """The people in a file; every look sees the file as it is now.

    Args:
        path: the file; it need not exist.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._seen: tuple[tuple[int, int, int], tuple[Person, ...]] | None = None

    def everybody(self) -> tuple[Person, ...]:
        """All people, also removed ones, by name.

        Raises:
            EnvironmentFault: the file cannot be read.
            UsageError: it is not as this program writes it.
        """
        try:
            state = self.path.stat()
        except FileNotFoundError:
            return ()
        except OSError as error:
            raise self._trouble(error) from error
        mark = (state.st_mtime_ns, state.st_size, state.st_ino)
        if self._seen is None or self._seen[0] != mark:
            self._seen = (mark, self._read())
        return self._seen[1]

    def find(self, name: str) -> Person | None:
        """The person of this name (but for case and spaces) who may log in."""
        return next((one for one in self.everybody() if _same(one.name, name) and one.removed is None), None)

    def check(self, name: str, passphrase: str) -> Person | None:
        """The person, when name and passphrase belong together; it takes equally long when they do not."""
        found = self.find(name)
        right = fits(passphrase, found.kept if found else None)
        return found if right else None

    def add(self, name: str, roles: Iterable[str], passphrase: str) -> Person:
        """Give somebody a login; somebody who was removed comes back under the old name.

        Raises:
            UsageError: the name, a role or the passphrase will not do, or the person has a login.
        """
        cleaned = " ".join(name.split())
        if not cleaned or not cleaned.isprintable() or len(cleaned) > LONGEST_NAME:
            raise UsageError(f"A login needs a person's name, at most {LONGEST_NAME} characters on one line.")
        if self.find(cleaned) is not None:
            raise UsageError(f"{cleaned} has a login already; change it with 'benchwitness people role'.")
        check_new(passphrase, cleaned)
        person = Person(cleaned, _roles(roles), hashed(passphrase), _now())
        self._put(person)
        return person

    def set_roles(self, name: str, roles: Iterable[str]) -> Person:
        """Let somebody act as something else from now on; a page that is open obeys at once.

        Raises:
            UsageError: there is no such person or role.
        """
        person = replace(self._known(name), roles=_roles(roles))
        self._put(person)
        return person

    def set_passphrase(self, name: str, passphrase: str) -> Person:
        """Give somebody another passphrase; whoever is logged in under the name is logged out.

        Raises:
            UsageError: there is no such person, or the passphrase will not do.
        """
        known = self._known(name)
        check_new(passphrase, known.name)
        person = replace(known, kept=hashed(passphrase))
        self._put(person)
        return person

    def remove(self, name: str) -> Person:
        """Take somebody's login away at once. The name stays in this file and in every record.

        Raises:
            UsageError: there is no such person.
        """
        person = replace(self._known(name), roles=(), kept=None, removed=_now())
        self._put(person)
        return person

    def _known(self, name: str) -> Person:
        found = self.find(name)
        if found is None:
            raise UsageError(f"{name} has no login here; 'benchwitness people list' shows who has.")
        return found

    def _put(self, person: Person) -> None:
        others = [one for one in self.everybody() if not _same(one.name, person.name)]
        listed = sorted([*others, person], key=lambda one: one.name.casefold())
        data = {"version": _VERSION, "people": [asdict(one) for one in listed]}
        write_private(self.path, json.dumps(data, ensure_ascii=False, indent=1).encode())

    def _read(self) -> tuple[Person, ...]:
        try:
            data = json.loads(self.path.read_text("utf-8"))
            if data["version"] != _VERSION:
                raise UsageError(f"{self.path}: a newer version of this program wrote it; use that one.")
            return tuple(
                Person(str(one["name"]), _roles(one["roles"], none=True), one["kept"], one["since"], one["removed"])
                for one in data["people"]
            )
        except OSError as error:
            raise self._trouble(error) from error
        except (ValueError, KeyError, TypeError) as error:
            raise UsageError(
                f"{self.path}: not a list of people; put back a copy, or remove it and add them anew."
            ) from error

    def _trouble(self, error: OSError) -> EnvironmentFault:
        return EnvironmentFault(f"{self.path}: cannot be read ({error.strerror}); check the folder and its rights.")


def write_private(path: Path, content: bytes) -> None:
    """Write a file that its owner alone can read, whole or not at all.

    Raises:
        EnvironmentFault: it cannot be written.
    """
    incoming = path.with_name(f".{path.name}-{secrets.token_hex(6)}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle = os.open(incoming, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
            incoming.replace(path)
        except BaseException:
            incoming.unlink(missing_ok=True)
            raise
    except OSError as error:
        raise EnvironmentFault(f"{path}: cannot be written ({error.strerror}); free the disk or its rights.") from error


def _roles(given: Iterable[str], *, none: bool = False) -> tuple[Role, ...]:
    wanted = list(given)
    for role in wanted:
        if role not in ROLES:
            raise UsageError(f"There is no role '{role}'; choose among {', '.join(ROLES)}.")
    if not wanted and not none:
        raise UsageError(f"A login needs a role; choose among {', '.join(ROLES)}.")
    return tuple(role for role in ROLES if role in wanted)


def _same(one: str, two: str) -> bool:
    return " ".join(one.casefold().split()) == " ".join(two.casefold().split())


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
