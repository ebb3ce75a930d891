"""``benchwitness bench --lan`` as a process of its own, on this machine's network address with its own certificate."""

from __future__ import annotations

import signal
import ssl
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256
from http.client import HTTPConnection, HTTPSConnection
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from capture.bench.gate.lan import Address, lan_address, readable
from capture.bench.page.guard import Door
from capture.errors import EnvironmentFault
from capture.record import verify
from tests.gates.conftest import PASSPHRASE, Caller


@dataclass
class Running:
    """The process, this machine's own address, the network's, and what was said of its certificate."""

    process: subprocess.Popen[str]
    enter: str
    network: str
    certificate: str
    record: Path


class Trusting(Caller):
    """A program that trusts one certificate and no other."""

    def __init__(self, door: Door, certificate: Path | None) -> None:
        super().__init__(door)
        self._context = ssl.create_default_context(cafile=certificate)

    def _line(self) -> HTTPConnection:
        host, port = self.door.hosts[0].rsplit(":", 1)
        return HTTPSConnection(host, int(port), timeout=20, context=self._context)


@pytest.fixture
def address() -> Address:
    """This machine's network address."""
    try:
        return lan_address("auto")
    except EnvironmentFault as error:
        pytest.skip(str(error))


@pytest.fixture
def bench(tmp_path: Path, crew: Path, address: Address) -> Iterator[Running]:
    """The command, on ports of its own choice."""
    (tmp_path / "people.json").write_bytes(crew.read_bytes())
    options = ["--record", str(tmp_path / "record"), "--port", "0", "--procedure", "lever_valve", "--lan"]
    call = [sys.executable, "-c", "from capture.cli import main; main()", "bench", *options]
    with subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            assert process.stderr is not None
            enter = process.stdout.readline().strip()
            network = next(line for line in process.stderr if line.startswith("On the network:"))
            certificate = next(line for line in process.stderr if line.startswith("certificate SHA-256"))
            yield Running(process, enter, network, certificate, tmp_path / "record")
        finally:
            process.kill()


def test_somebody_logs_in_over_the_network_and_the_bench_ends_when_it_is_told_to(
    bench: Running, address: Address, tmp_path: Path
) -> None:
    origin = bench.network.split()[3]
    parts = urlsplit(origin)
    assert (parts.scheme, parts.hostname) == ("https", str(address))
    door = Door((parts.netloc,), "https", parts.port or 0, frozenset({"login", "phone"}), "/login")
    certificate = tmp_path / "certificate" / "certificate.pem"
    fingerprint = sha256(ssl.PEM_cert_to_DER_cert(certificate.read_text())).hexdigest()
    assert readable(fingerprint) in bench.certificate
    with pytest.raises(ssl.SSLCertVerificationError, match="self-signed"):
        Trusting(door, None).ask("GET", "/login")

    caller = Trusting(door, certificate)
    assert caller.ask("GET", "/").status == 401
    assert caller.post("/login", {"name": "Rhea Okoro", "passphrase": "not her words"}).status == 401
    assert caller.post("/login", {"name": "Rhea Okoro", "passphrase": PASSPHRASE}).json == {"to": "/"}
    assert caller.ask("GET", "/me").json["person"] == "Rhea Okoro"
    assert b"<html" in caller.ask("GET", "/").data
    assert bench.enter.startswith("http://127.0.0.1:")
    assert Trusting(door, certificate).post("/enter", {"token": bench.enter.split("#")[1]}).status == 403

    bench.process.send_signal(signal.SIGTERM)
    bench.process.wait(timeout=20)
    assert bench.process.stderr is not None
    assert "Traceback" not in bench.process.stderr.read()
    with pytest.raises(ConnectionRefusedError):
        caller.ask("GET", "/login")
    assert verify(bench.record).ok
