"""A bench that is also open to the network, on another port of the loopback, with people who may log in."""

from __future__ import annotations

import ipaddress
import json
import re
import ssl
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from http.client import HTTPConnection, HTTPResponse, HTTPSConnection
from pathlib import Path
from typing import Any

import pytest

from capture.bench.gate import passphrase
from capture.bench.gate.lan import certificate_for
from capture.bench.gate.people import People
from capture.bench.gate.visitors import write_secret
from capture.bench.page.guard import HEADER, Door
from capture.bench.page.serve import BenchServer, Network
from tests.live.conftest import Served, browser, running

__all__ = ["browser"]

LOOPBACK = ipaddress.ip_address("127.0.0.1")
PASSPHRASE = "seven kettles under glass"
CREW = {
    "Rhea Okoro": ["technician"],
    "Ines Falk": ["reviewer"],
    "Tom Wray": ["reader"],
    "Ada Moss": ["technician", "reviewer"],
}


@dataclass
class Answer:
    """What came back."""

    status: int
    headers: Any
    data: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.data)


class Caller:
    """A program that speaks to one door, and keeps its cookie as a browser would."""

    def __init__(self, door: Door) -> None:
        self.door = door
        self.token = ""

    def ask(self, method: str, path: str, body: bytes = b"", **changed: str | None) -> Answer:
        headers: dict[str, str | None] = {"Origin": self.door.origin, "Host": self.door.hosts[0]}
        if self.token:
            headers |= {"Cookie": f"{self.door.cookie}={self.token}", HEADER: write_secret(self.token)}
        headers |= {name.replace("_", "-"): value for name, value in changed.items()}
        line = self._line()
        line.request(method, path, body or None, {name: value for name, value in headers.items() if value is not None})
        answer: HTTPResponse = line.getresponse()
        data = b"" if "event-stream" in answer.headers.get("content-type", "") else answer.read()
        given = re.match(rf"{re.escape(self.door.cookie)}=\"?([^;\"]*)", answer.headers.get("set-cookie", ""))
        if given:
            self.token = given.group(1)
        answer.close()
        line.close()
        return Answer(answer.status, answer.headers, data)

    def post(self, path: str, data: Any = None, **changed: str | None) -> Answer:
        return self.ask("POST", path, json.dumps(data or {}).encode(), **changed)

    def _line(self) -> HTTPConnection:
        host, port = self.door.hosts[0].rsplit(":", 1)
        if self.door.scheme == "http":
            return HTTPConnection(host, int(port), timeout=20)
        return HTTPSConnection(host, int(port), timeout=20, context=ssl._create_unverified_context())


@dataclass
class Gated:
    """A served bench with both doors."""

    served: Served
    people: People

    @property
    def server(self) -> BenchServer:
        return self.served.server

    @property
    def lan(self) -> Door:
        assert self.server.lan is not None
        return self.server.lan

    @property
    def local(self) -> Door:
        name, port = self.server.origin.removeprefix("http://").rsplit(":", 1)
        hosts = (f"{name}:{port}",)
        return Door(hosts, "http", int(port), frozenset({"local"}), "/enter")

    def here(self) -> Caller:
        """This machine's own page."""
        caller = Caller(self.local)
        caller.token = self.server.visitors.begin("local")
        return caller

    def logged_in(self, name: str) -> Caller:
        """Somebody who is logged in (the login itself has its own tests)."""
        caller = Caller(self.lan)
        caller.token = self.server.visitors.begin("login", name)
        return caller

    def phone(self) -> Caller:
        """A phone that is paired for the live job."""
        caller = Caller(self.lan)
        job = self.served.bench.desk.live.session.job if self.served.bench.desk.has_job else "none"
        caller.token = self.server.visitors.begin("phone", "Rhea Okoro", job)
        return caller

    def stranger(self) -> Caller:
        """Somebody on the network."""
        return Caller(self.lan)

    def open(self, technician: str = "Rhea Okoro") -> None:
        self.served.bench.desk.open_job("lever_valve", technician, "")


@pytest.fixture(autouse=True)
def own_folders(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Nothing of this user's own is touched."""
    monkeypatch.setenv("BENCHWITNESS_KEYS", str(tmp_path / "keys"))
    monkeypatch.setenv("BENCHWITNESS_PEOPLE", str(tmp_path / "people.json"))


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> None:
    """Passphrases are hashed at a low cost, but for the test of that cost."""
    if request.node.name != "test_a_passphrase_is_kept_as_a_costly_hash_with_its_own_salt":
        monkeypatch.setattr(passphrase, "_LOG2_N", 10)


@pytest.fixture(scope="session")
def crew(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A list of people, made once; passphrases are hashed at a low cost here."""
    path = tmp_path_factory.mktemp("people") / "people.json"
    people = People(path)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passphrase, "_LOG2_N", 10)
        for name, roles in CREW.items():
            people.add(name, roles, PASSPHRASE)
    return path


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the certificate lies, made once."""
    folder = tmp_path_factory.mktemp("certificate")
    certificate_for(folder, LOOPBACK)
    return folder


@pytest.fixture
def gated(tmp_path: Path, crew: Path, certificates: Path) -> Iterator[Callable[..., Gated]]:
    """Starts a bench with both doors; ``plain`` without encryption."""

    def start(*lines: str, plain: bool = False, **facts: Any) -> Gated:
        own = tmp_path / "people.json"
        own.write_bytes(crew.read_bytes())
        people = People(own)
        network = Network(LOOPBACK, None if plain else certificate_for(certificates, LOOPBACK), people, 0)
        return Gated(stack.enter_context(running(tmp_path, *lines, network=network, **facts)), people)

    with ExitStack() as stack:
        yield start


@pytest.fixture(scope="module")
def idle(tmp_path_factory: pytest.TempPathFactory, crew: Path) -> Iterator[Gated]:
    """A bench with both doors and no job, not encrypted, for tests that leave it as it is."""
    people = People(crew)
    with running(tmp_path_factory.mktemp("idle"), network=Network(LOOPBACK, None, people, 0)) as served:
        yield Gated(served, people)
