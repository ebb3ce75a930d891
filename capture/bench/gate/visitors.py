"""Sessions: who a browser is, by a secret that it alone holds. Kept on the server, by the secret's hash, with an end.

Sessions outlive a start of the bench (a crash, a power cut), so that a page finds back by itself; the file holds hashes
only, and belongs to the machine's user. The second secret, with which a page writes, is made from the first one.
"""

from __future__ import annotations

import hmac
import json
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from hashlib import sha256
from pathlib import Path
from typing import Any, Literal

from capture.bench.gate.people import ROLES, People, Person, Role, write_private
from capture.errors import CaptureError

Via = Literal["local", "login", "phone"]
HOUR = 3600.0
LIFE: dict[Via, float] = {"local": 30 * 24 * HOUR, "login": 12 * HOUR, "phone": 8 * HOUR}
"""Seconds after which a session ends in any case."""
IDLE: dict[Via, float] = {"local": 16 * HOUR, "login": 1 * HOUR, "phone": 4 * HOUR}
"""Seconds after which a session ends of which nothing was heard; an open bench page is heard of all the time."""
_SAVE_EVERY_S = 60.0
_MOST = 500


@dataclass(frozen=True)
class Visitor:
    """Whoever sent a request. ``id`` may be shown, ``write`` is what its page writes with; ``job`` is the one that a
    phone was paired for, ``person`` empty where nobody logged in (this machine, by its secret address)."""

    id: str
    via: Via
    person: str
    roles: frozenset[Role]
    write: str
    job: str = ""


@dataclass(frozen=True)
class _Kept:
    id: str
    via: Via
    person: str
    job: str
    begun: float
    seen: float
    passphrase: str = ""


class Visitors:
    """All sessions. Safe for several threads.

    Args:
        people: who may log in, as what; None where nobody can.
        path: where sessions are kept; None: in memory only.
        clock: wall clock, seconds since the epoch.
    """

    def __init__(self, people: People | None, path: Path | None = None, clock: Callable[[], float] = time.time) -> None:
        self._people, self._path, self._clock = people, path, clock
        self._lock = threading.RLock()
        self._saved = 0.0
        self._kept: dict[str, _Kept] = self._load()

    def begin(self, via: Via, person: str = "", job: str = "") -> str:
        """Begin a session; returns the secret that its browser is to hold."""
        token = secrets.token_urlsafe(24)
        now = self._clock()
        found = self._people.find(person) if via == "login" and self._people is not None else None
        mark = "" if found is None else _mark(found)
        kept = _Kept(secrets.token_hex(4), via, person, job, now, now, mark)
        with self._lock:
            self._drop_ended()
            while len(self._kept) >= _MOST:
                del self._kept[min(self._kept, key=lambda digest: self._kept[digest].seen)]
            self._kept[_digest(token)] = kept
            self._save()
        return token

    def of(self, token: str) -> Visitor | None:
        """Who holds this secret now; None when the session ended or never was."""
        if not token:
            return None
        digest = _digest(token)
        with self._lock:
            kept = self._kept.get(digest)
            if kept is None:
                return None
            roles = self._roles(kept)
            if roles is None:
                del self._kept[digest]
                self._save()
                return None
            now = self._clock()
            self._kept[digest] = replace(kept, seen=max(now, kept.seen))
            if now - self._saved > _SAVE_EVERY_S:
                self._save()
        return Visitor(kept.id, kept.via, kept.person, roles, write_secret(token), kept.job)

    def end(self, *, token: str | None = None, id_: str | None = None) -> bool:
        """End a session, by its secret or its id; whether there was one."""
        with self._lock:
            found = [d for d, kept in self._kept.items() if d == _digest(token or "") or kept.id == id_]
            for digest in found:
                del self._kept[digest]
            if found:
                self._save()
            return bool(found)

    def phones(self, job: str) -> list[dict[str, Any]]:
        """The phones that are paired for a job, oldest first."""
        with self._lock:
            self._drop_ended()
            found = [kept for kept in self._kept.values() if kept.via == "phone" and kept.job == job]
        return [
            {"id": kept.id, "by": kept.person, "begun": kept.begun} for kept in sorted(found, key=lambda k: k.begun)
        ]

    def _roles(self, kept: _Kept) -> frozenset[Role] | None:
        now = self._clock()
        if now - kept.begun > LIFE[kept.via] or now - kept.seen > IDLE[kept.via]:
            return None
        if kept.via == "local":
            return frozenset(ROLES)
        if kept.via == "phone":
            return frozenset()
        try:
            person = None if self._people is None else self._people.find(kept.person)
        except CaptureError:
            return None
        if person is None or not person.roles or _mark(person) != kept.passphrase:
            return None
        return frozenset(person.roles)

    def _drop_ended(self) -> None:
        for digest, kept in list(self._kept.items()):
            if self._roles(kept) is None:
                del self._kept[digest]

    def _save(self) -> None:
        """What cannot be kept is no reason to refuse anybody: the session then ends with this start of the bench."""
        self._saved = self._clock()
        if self._path is None:
            return
        data = {digest: asdict(kept) for digest, kept in self._kept.items()}
        try:
            write_private(self._path, json.dumps(data).encode())
        except CaptureError:
            self._path = None

    def _load(self) -> dict[str, _Kept]:
        if self._path is None:
            return {}
        try:
            data = json.loads(self._path.read_text("utf-8"))
            return {str(digest): _Kept(**kept) for digest, kept in data.items() if kept["via"] in LIFE}
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            return {}


def _mark(person: Person) -> str:
    """Changes with the passphrase, so that a new one ends the sessions begun with the old one."""
    return _digest(person.kept or "")[:16]


def write_secret(token: str) -> str:
    """The secret that a session's page writes with."""
    return hmac.new(token.encode("utf-8", "replace"), b"write", sha256).hexdigest()


def _digest(token: str) -> str:
    return sha256(token.encode("utf-8", "replace")).hexdigest()
