"""The network's door over real sockets: login, certificate, and what is refused without one."""

from __future__ import annotations

import ipaddress
import socket
import ssl
import stat
import warnings
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from cryptography import x509

from capture.bench.gate.lan import VALID_DAYS, certificate_for, host_of, lan_address, readable
from capture.bench.gate.visitors import write_secret
from capture.bench.live_start import Options, network_of
from capture.commands.bench import command
from capture.errors import EnvironmentFault, UsageError
from capture.record import verify
from tests.gates.conftest import LOOPBACK, PASSPHRASE, Caller, Gated

Start = Callable[..., Gated]


def login(caller: Caller, name: str = "Rhea Okoro", passphrase: str = PASSPHRASE) -> int:
    return caller.post("/login", {"name": name, "passphrase": passphrase}).status


def test_a_login_opens_a_session_and_a_logout_ends_it(gated: Start) -> None:
    bench = gated()
    caller = bench.stranger()
    answer = caller.post("/login", {"name": "rhea okoro", "passphrase": PASSPHRASE})
    assert (answer.status, answer.json) == (200, {"to": "/"})
    cookie = answer.headers["set-cookie"].lower()
    for part in ("__host-benchwitness_", "httponly", "secure", "samesite=strict", "path=/"):
        assert part in cookie
    assert caller.ask("GET", "/me").json == {"via": "login", "person": "Rhea Okoro", "roles": ["technician"]}
    assert caller.ask("GET", "/").status == 200
    copied = caller.token
    assert caller.post("/logout").status == 200
    caller.token = copied
    assert caller.ask("GET", "/").status == 401


def test_wrong_name_and_wrong_passphrase_are_told_alike_and_nothing_is_logged_of_them(
    gated: Start, capfd: pytest.CaptureFixture[str]
) -> None:
    bench = gated()
    told = set()
    for name, word in (
        ("Rhea Okoro", "some other words 1"),
        ("Nobody Here", PASSPHRASE),
        (PASSPHRASE, "Rhea Okoro"),
        ("", ""),
    ):
        answer = bench.stranger().post("/login", {"name": name, "passphrase": word})
        assert answer.status == 401
        assert "set-cookie" not in answer.headers
        told.add(answer.data)
    assert len(told) == 1
    logged = capfd.readouterr()
    assert "a login from 127.0.0.1 was refused" in logged.err
    for secret in (PASSPHRASE, "some other words 1", "Nobody Here", bench.server.gate.visit):
        assert secret not in logged.err + logged.out


def test_guessing_is_slowed_down(gated: Start) -> None:
    bench = gated(plain=True)
    seen = [
        bench.stranger().post("/login", {"name": "Rhea Okoro", "passphrase": f"guess number {n}"}) for n in range(8)
    ]
    assert [answer.status for answer in seen][:5] == [401] * 5
    assert 429 in [answer.status for answer in seen]
    slow = next(answer for answer in seen if answer.status == 429)
    assert int(slow.headers["retry-after"]) >= 1
    assert "wait" in slow.json["error"]
    assert login(bench.stranger()) == 429, "the right passphrase waits too"


def test_nobody_logs_in_on_the_bench_s_own_door_and_its_secret_opens_no_other(gated: Start) -> None:
    bench = gated()
    local = bench.here()
    assert local.post("/login", {"name": "Rhea Okoro", "passphrase": PASSPHRASE}).status == 403
    assert bench.stranger().post("/enter", {"token": bench.server.gate.visit}).status == 403


def test_nothing_is_said_without_login_or_pairing(idle: Gated) -> None:
    stranger = idle.stranger()
    for path in ("/enter", "/login", "/phone", "/entrance/phone.js", "/entrance/entrance.css"):
        answer = stranger.ask("GET", path)
        assert answer.status == 200
        for word in ("lever", "Rhea", "Gannet", "Ines"):
            assert word not in answer.data.decode()
    answer = stranger.ask("GET", "/", Sec_Fetch_Mode="navigate", Sec_Fetch_Dest="document", Origin=None)
    assert (answer.status, answer.headers["location"]) == (303, "/login")


def test_the_network_answers_under_its_own_name_only(idle: Gated) -> None:
    for host in ("evil.example", "localhost:" + str(idle.lan.port), "127.0.0.1", idle.local.hosts[0]):
        assert idle.stranger().ask("GET", "/login", Host=host).status == 421


def test_no_header_moves_a_request_to_another_address(idle: Gated) -> None:
    """A proxy's headers are believed from nobody: the throttle counts by the socket's own address."""
    for n in range(40):
        answer = idle.stranger().post(
            "/phone/enter", {"token": "x"}, X_Forwarded_For=f"10.0.0.{n}", Forwarded=f"for=10.0.0.{n}"
        )
    assert answer.status == 429
    idle.server.gate.throttle.passed(("pairing", "127.0.0.1"))


def test_what_somebody_does_stands_under_their_own_name(gated: Start) -> None:
    bench = gated()
    rhea, ada = bench.logged_in("Rhea Okoro"), bench.logged_in("Ada Moss")
    assert rhea.post("/job/open", {"procedure": "lever_valve", "technician": "Somebody Else"}).status == 200
    assert bench.served.bench.desk.live.session.technician == "Rhea Okoro"
    assert rhea.post("/say", {"line": "stage as received"}).status == 200
    for path, data in (
        ("/say", {"line": "leaks none"}),
        ("/job/pause", {}),
        ("/job/finish", {}),
        ("/listening", {"on": False}),
        ("/photo", {}),
        ("/camera", {}),
    ):
        answer = ada.post(path, data)
        assert answer.status == 409
        assert "Rhea Okoro works on this job" in answer.json["error"]
    assert ada.post("/job/hand-over", {"technician": "Tom Wray"}).status == 200
    assert bench.served.bench.desk.live.session.technician == "Ada Moss", "one takes over for oneself only"
    assert ada.post("/say", {"line": "leaks none"}).status == 200
    assert rhea.post("/say", {"line": "leaks none"}).status == 409
    assert ada.post("/job/finish").status == 200
    assert verify(bench.served.bench.record.folder).ok


def test_a_removed_login_ends_the_stream_of_an_open_page(gated: Start) -> None:
    from http.client import HTTPSConnection

    bench = gated()
    caller = bench.logged_in("Tom Wray")
    line = caller._line()
    assert isinstance(line, HTTPSConnection)
    line.request("GET", "/events", headers={"Cookie": f"{bench.lan.cookie}={caller.token}", "Host": bench.lan.hosts[0]})
    stream = line.getresponse()
    assert stream.readline().startswith(b"retry")
    bench.people.remove("Tom Wray")
    assert b"event: board" in stream.read(), "it comes to its end"
    line.close()


def test_sound_ends_with_the_session_and_with_the_turn(gated: Start) -> None:
    from websockets.exceptions import ConnectionClosed
    from websockets.sync.client import connect

    bench = gated(plain=True)
    bench.open("Rhea Okoro")

    def speaking(caller: Caller) -> Any:
        return connect(
            f"ws://{bench.lan.hosts[0]}/sound?rate=16000",
            origin=bench.lan.origin,  # type: ignore[arg-type]
            subprotocols=["bench", write_secret(caller.token)],  # type: ignore[list-item]
            additional_headers={"Cookie": f"{bench.lan.cookie}={caller.token}"},
        )

    def ended(line: Any) -> int:
        line.send(bytes(3200))
        with pytest.raises(ConnectionClosed) as closed:
            line.recv(timeout=40)
        return closed.value.rcvd.code

    rhea = bench.logged_in("Rhea Okoro")
    with speaking(rhea) as line:
        line.send(bytes(3200))
        bench.logged_in("Ada Moss").post("/job/hand-over", {})
        assert ended(line) == 1008
    ada = bench.logged_in("Ada Moss")
    with speaking(ada) as line:
        line.send(bytes(3200))
        bench.people.set_roles("Ada Moss", ["reader"])
        assert ended(line) == 1008


# The certificate.


def test_the_certificate_is_made_once_and_is_good_for_this_address_only(tmp_path: Path) -> None:
    address = ipaddress.ip_address("192.0.2.7")
    made = certificate_for(tmp_path / "c", address)
    assert certificate_for(tmp_path / "c", address) == made
    read = x509.load_pem_x509_certificate(made.chain.read_bytes())
    names = read.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.IPAddress) == [address]
    assert not read.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    assert timedelta(days=VALID_DAYS - 1) < read.not_valid_after_utc - datetime.now(UTC) < timedelta(days=825)
    assert stat.S_IMODE(made.key.stat().st_mode) == 0o600
    other = certificate_for(tmp_path / "c", ipaddress.ip_address("192.0.2.8"))
    assert other.fingerprint != made.fingerprint
    made.key.write_text("spoilt", "utf-8")
    assert certificate_for(tmp_path / "c", ipaddress.ip_address("192.0.2.8")).fingerprint != other.fingerprint


def test_the_fingerprint_is_that_of_what_is_served(gated: Start) -> None:
    bench = gated()
    pem = ssl.get_server_certificate(("127.0.0.1", bench.lan.port))
    seen = sha256(ssl.PEM_cert_to_DER_cert(pem)).hexdigest()
    assert seen == bench.server.gate.fingerprint
    assert readable(seen).replace(" ", "").lower() == seen


def test_tls_older_than_1_2_is_not_spoken(gated: Start) -> None:
    bench = gated()
    context = ssl._create_unverified_context()
    with socket.create_connection(("127.0.0.1", bench.lan.port)) as line, context.wrap_socket(line) as sealed:
        assert sealed.version() == "TLSv1.3"
    context.set_ciphers("DEFAULT@SECLEVEL=0")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        context.minimum_version, context.maximum_version = ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1
    with socket.create_connection(("127.0.0.1", bench.lan.port)) as line, pytest.raises(ssl.SSLError):
        context.wrap_socket(line)


@pytest.mark.parametrize("wanted", ["0.0.0.0", "::", "127.0.0.1", "::1", "224.0.0.1", "bench.local", "", "192.168.1"])
def test_only_one_address_of_a_network_can_be_opened(wanted: str) -> None:
    with pytest.raises(UsageError, match="--lan"):
        lan_address(wanted)


def test_addresses_are_written_as_browsers_do() -> None:
    assert host_of(LOOPBACK, 8750) == "127.0.0.1:8750"
    assert host_of(ipaddress.ip_address("fd00::5"), 8750) == "[fd00::5]:8750"
    assert lan_address("192.168.1.20") == ipaddress.ip_address("192.168.1.20")


def test_the_network_is_closed_unless_it_is_asked_for(tmp_path: Path) -> None:
    assert network_of(Options()) is None
    with pytest.raises(UsageError, match="--plain goes with --lan"):
        network_of(Options(plain=True))
    done = CliRunner().invoke(command, ["--lan", "0.0.0.0", "--record", str(tmp_path / "r"), "--port", "0"])
    assert isinstance(done.exception, UsageError)


def test_an_address_that_is_not_this_machine_s_is_said(tmp_path: Path, crew: Path) -> None:
    from capture.bench.page.serve import listening_socket

    with pytest.raises(EnvironmentFault, match=r"192\.0\.2\.77"):
        listening_socket(0, "192.0.2.77")
