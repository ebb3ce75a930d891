"""The safety of the bench's server, point by point, over real sockets (the client here sends what it likes)."""

from __future__ import annotations

import io
import json
import socket
import struct
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from http.client import HTTPConnection, HTTPResponse
from typing import Any

import pytest
from PIL import Image

from capture.bench.gate.access import LARGEST_BODY, LARGEST_PHOTO
from capture.bench.gate.visitors import write_secret
from capture.bench.page.guard import HEADER
from capture.bench.page.uploads import Refused, picture_type
from tests.live.conftest import Served, running

Serve = Callable[..., Served]


def picture(kind: str = "PNG", size: tuple[int, int] = (32, 24)) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, (40, 90, 100)).save(out, kind)
    return out.getvalue()


class Client:
    """Speaks to a server as its page would, unless told otherwise."""

    def __init__(self, served: Served) -> None:
        self.served = served
        self.host = served.server.origin.removeprefix("http://")
        self.token = served.server.visitors.begin("local")
        self.cookie = f"benchwitness_{self.host.rsplit(':', 1)[1]}"
        self.good = {
            "Host": self.host,
            "Origin": served.server.origin,
            "Cookie": f"{self.cookie}={self.token}",
            HEADER: write_secret(self.token),
        }

    def ask(self, method: str, path: str, body: bytes = b"", **changed: str | None) -> tuple[HTTPResponse, bytes]:
        headers = dict(self.good)
        for name, value in changed.items():
            headers.pop(name.replace("_", "-"), None)
            if value is not None:
                headers[name.replace("_", "-")] = value
        line = HTTPConnection(self.host, timeout=10)
        line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        if "Content-Length" not in headers and method != "GET":
            headers["Content-Length"] = str(len(body))
        for name, value in headers.items():
            line.putheader(name, value)
        line.endheaders(body)
        answer = line.getresponse()
        data = answer.read() if "event-stream" not in answer.headers.get("content-type", "") else b""
        answer.close()
        line.close()
        return answer, data

    def post(self, path: str, data: Any, **changed: str | None) -> tuple[HTTPResponse, bytes]:
        return self.ask("POST", path, json.dumps(data).encode(), **changed)

    def open(self) -> None:
        answer, data = self.post("/job/open", {"procedure": "lever_valve", "technician": "Rhea Okoro"})
        assert answer.status == 200, data


@pytest.fixture
def client(serve: Serve) -> Client:
    return Client(serve())


@pytest.fixture(scope="module")
def idle(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """A server without a job, for all tests that leave it as it is."""
    with running(tmp_path_factory.mktemp("idle")) as served:
        yield Client(served)


def sentence(data: bytes) -> str:
    text = str(json.loads(data)["error"])
    assert text.endswith(".")
    return text


READS = ("/", "/me", "/events", "/static/bench.js", "/media/" + "0" * 64, "/said/1")
WRITES = (
    "/job/open",
    "/say",
    "/hush",
    "/listening",
    "/photo",
    "/camera",
    "/practice/0",
    "/said/1/end",
    "/logout",
    "/phone/pair",
    "/phone/revoke",
)


@pytest.mark.parametrize("path", [*READS, "/enter"])
@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example:80", ""])
def test_a_foreign_host_name_gets_nothing(idle: Client, path: str, host: str) -> None:
    answer, data = idle.ask("GET", path, Host=host)
    assert answer.status == 421
    assert "printed at its start" in sentence(data)


def test_localhost_is_the_same_place(idle: Client) -> None:
    answer, _ = idle.ask("GET", "/", Host=idle.host.replace("127.0.0.1", "localhost"))
    assert answer.status == 200


@pytest.mark.parametrize("path", READS)
@pytest.mark.parametrize(
    "cookie", [None, "OURS=guess", "OURS=", "other=1", "OURS=\u00e9", ";;=,", "OURS=" + "x" * 9000]
)
def test_nothing_is_read_without_a_session(idle: Client, path: str, cookie: str | None) -> None:
    answer, data = idle.ask("GET", path, Cookie=cookie and cookie.replace("OURS", idle.cookie))
    assert answer.status == 401
    assert idle.good[HEADER].encode() not in data


def test_the_printed_address_lets_in_and_sets_a_strict_cookie(idle: Client) -> None:
    path, _, token = idle.served.address.removeprefix(idle.served.server.origin).partition("#")
    assert path == "/enter"
    answer, _ = idle.post(path, {"token": token}, Cookie=None, x_bench_token=None)
    assert answer.status == 200
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    answer, data = idle.post(path, {"token": "wrong"}, Cookie=None, x_bench_token=None)
    assert answer.status == 401
    assert "set-cookie" not in answer.headers
    sentence(data)
    answer, _ = idle.post(path, {"token": token}, Cookie=None, x_bench_token=None, Origin="http://evil.example")
    assert answer.status == 403
    assert "set-cookie" not in answer.headers


def test_a_browser_that_is_unknown_is_led_to_the_entrance(idle: Client) -> None:
    answer, data = idle.ask("GET", "/", Cookie=None, Sec_Fetch_Mode="navigate", Sec_Fetch_Dest="document")
    assert (answer.status, answer.headers["location"], data) == (303, "/enter", b"")


@pytest.mark.parametrize("path", READS)
@pytest.mark.parametrize(
    "changed",
    [
        {"Origin": "http://evil.example"},
        {"Origin": None, "Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "no-cors"},
        {"Origin": None, "Sec_Fetch_Site": "same-site", "Sec_Fetch_Mode": "no-cors"},
        {"Origin": None, "Sec_Fetch_Site": "same-site", "Sec_Fetch_Mode": "navigate", "Sec_Fetch_Dest": "iframe"},
    ],
    ids=str,
)
def test_nothing_is_read_for_a_page_of_elsewhere(idle: Client, path: str, changed: dict[str, str | None]) -> None:
    """Cookies do not tell one port of a machine from another, so that SameSite alone would let such pages read."""
    answer, _ = idle.ask("GET", path, **changed)
    assert answer.status == 403


@pytest.mark.parametrize("path", WRITES)
@pytest.mark.parametrize(
    "changed",
    [
        {"Origin": "http://evil.example"},
        {"Origin": None},
        {"Origin": "null"},
        {"x_bench_token": None},
        {"x_bench_token": "guess"},
        {"Cookie": None},
    ],
    ids=str,
)
def test_nothing_is_written_from_elsewhere(idle: Client, path: str, changed: dict[str, str | None]) -> None:
    answer, _ = idle.post(path, {"procedure": "lever_valve", "technician": "E"}, **changed)
    assert answer.status in {401, 403}
    assert not idle.served.bench.desk.has_job


def test_no_other_method_writes(idle: Client) -> None:
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS"):
        answer, _ = idle.ask(method, "/say", b"{}")
        assert answer.status in {404, 405}
        answer, _ = idle.ask(method, "/say", b"{}", x_bench_token=None)
        assert answer.status == 403
    assert idle.ask("GET", "/say")[0].status == 405


@pytest.mark.parametrize("path", ["/", "/static/bench.js", "/nowhere", "/events"])
def test_every_answer_carries_the_policy(idle: Client, path: str) -> None:
    answer, _ = idle.ask("GET", path)
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "*" not in policy
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert answer.headers["cache-control"] == "no-store"
    assert not [name for name in answer.headers if name.lower().startswith("access-control")], "no CORS"
    assert "server" not in answer.headers


def test_the_page_has_no_inline_code(idle: Client) -> None:
    _, data = idle.ask("GET", "/")
    text = data.decode()
    assert text.count("<script") == text.count('<script type="module" src="/static/')
    assert "<style" not in text
    assert " style=" not in text
    assert " onclick" not in text


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/%2e%2e/page/app.py",
        "/static/....//app.py",
        "/static/bench.js%00.css",
        "/static//etc/passwd",
        "/static/C:%5cwindows",
        "/media/../ledger.sqlite",
        "/media/..%2f..%2fledger.sqlite",
        "/media/" + "A" * 64,
        "/media/" + "0" * 63,
        "/media/" + "0" * 64 + "/..",
    ],
)
def test_no_path_leads_outside(client: Client, path: str) -> None:
    client.open()
    answer, data = client.ask("GET", path)
    assert answer.status == 404
    assert b"import" not in data
    assert b"SQLite" not in data


def test_only_pictures_of_the_live_job_are_shown(client: Client) -> None:
    client.open()
    client.post("/say", {"line": "photo case open"})
    answer, _ = client.ask("POST", "/photo?name=a.png", picture())
    assert answer.status == 200
    record = client.served.bench.record
    rows = list(record.rows())
    shown = {ref.kind: ref.sha256 for row in rows for ref in row.media}
    answer, data = client.ask("GET", f"/media/{shown['photo']}")
    assert (answer.status, answer.headers["content-type"]) == (200, "image/png")
    assert data == picture()
    assert client.ask("GET", f"/media/{shown['procedure']}")[0].status == 404
    foreign = record.put_media(picture(size=(8, 8)), "photo", "image/png")
    assert client.ask("GET", f"/media/{foreign.sha256}")[0].status == 404


def _bomb() -> bytes:
    """A PNG of 64 kB that claims 60 000 by 60 000 pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    body = zlib.compress(bytes(60_000), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>",
        b"GIF89a" + bytes(60),
        b"%PDF-1.7",
        picture("GIF"),
        picture("TIFF"),
        picture("BMP"),
        b"\xff\xd8\xff\xe0 not a picture",
        _bomb(),
    ],
    ids=["empty", "svg", "gif head", "pdf", "gif", "tiff", "bmp", "broken jpeg", "bomb"],
)
def test_only_sound_pictures_of_three_formats_are_taken(client: Client, data: bytes) -> None:
    client.open()
    before = len(list(client.served.bench.record.rows()))
    answer, said = client.ask("POST", "/photo", data, Content_Type="image/png")
    assert answer.status == 415
    assert "take it" in sentence(said)
    assert len(list(client.served.bench.record.rows())) == before


@pytest.mark.parametrize(("kind", "media_type"), [("PNG", "image/png"), ("JPEG", "image/jpeg"), ("WEBP", "image/webp")])
def test_a_picture_is_what_its_bytes_say(kind: str, media_type: str) -> None:
    assert picture_type(picture(kind)) == media_type


def test_every_cut_and_flip_of_a_picture_is_taken_or_refused_plainly() -> None:
    data = picture("JPEG")
    for at in range(0, len(data), 7):
        for broken in (data[:at], data[:at] + bytes([data[at] ^ 0x55]) + data[at + 1 :]):
            with suppress(Refused):
                assert picture_type(broken) in {"image/jpeg", "image/png", "image/webp"}


def test_what_is_too_large_is_refused_before_it_is_read(client: Client) -> None:
    client.open()
    for path, most in (("/say", LARGEST_BODY), ("/photo", LARGEST_PHOTO)):
        line = socket.create_connection(tuple(client.host.split(":")), timeout=5)  # type: ignore[arg-type]
        head = [f"POST {path} HTTP/1.1", *(f"{n}: {v}" for n, v in client.good.items()), f"Content-Length: {most + 1}"]
        line.sendall("\r\n".join([*head, "", ""]).encode())
        assert b" 413 " in line.recv(4000).split(b"\r\n")[0]
        line.close()


def test_a_body_without_announced_size_is_cut_off_where_it_is_too_large(client: Client) -> None:
    client.open()
    line = socket.create_connection(tuple(client.host.split(":")), timeout=5)  # type: ignore[arg-type]
    head = ["POST /say HTTP/1.1", *(f"{n}: {v}" for n, v in client.good.items()), "Transfer-Encoding: chunked"]
    line.sendall("\r\n".join([*head, "", ""]).encode())
    piece = b"8000\r\n" + b"x" * 0x8000 + b"\r\n"
    for _ in range(4):
        line.sendall(piece)
    line.sendall(b"0\r\n\r\n")
    assert b" 413 " in line.recv(4000).split(b"\r\n")[0]
    line.close()


@pytest.mark.parametrize(
    "body", [b"", b"no json", b"[]", b'{"line": 3}', b'{"line": null}', b"[" * 5000, b'{"other": "x"}', b"\xff\xfe"]
)
def test_what_is_no_proper_request_is_refused_plainly(client: Client, body: bytes) -> None:
    client.open()
    answer, data = client.ask("POST", "/say", body)
    assert answer.status == 400
    sentence(data)


@pytest.mark.parametrize(
    ("path", "data"),
    [
        ("/job/open", {"procedure": "../../x", "technician": "E"}),
        ("/job/resume", {"job": "' OR 1=1 --", "technician": "E"}),
        ("/job/steal", {}),
        ("/practice/99", {}),
        ("/say", {"line": "leaks none"}),
        ("/say", {"line": "x" * 3000}),
        ("/photo", {}),
        ("/camera", {}),
        ("/camera", {"view": "../x"}),
    ],
)
def test_what_cannot_be_done_is_answered_with_a_sentence(idle: Client, path: str, data: Any) -> None:
    answer, said = idle.post(path, data)
    assert 400 <= answer.status < 500
    sentence(said)


def test_a_name_full_of_markup_stays_text(client: Client) -> None:
    name = "<img src=x onerror=alert(1)>\u202e\x00"
    client.post("/job/open", {"procedure": "lever_valve", "technician": name, "reference": name})
    board = client.served.bench.desk.board()
    assert board["technician"] == "<img src=x onerror=alert(1)>"


@pytest.mark.parametrize("changed", [{"Origin": "http://evil.example"}, {"Cookie": None}, {"Host": "evil.example"}, {}])
def test_the_sound_socket_is_guarded_too(client: Client, changed: dict[str, str | None]) -> None:
    client.open()
    token = client.good[HEADER] if changed else "guess"
    upgrade = {"Upgrade": "websocket", "Connection": "Upgrade", "Sec_WebSocket_Key": "AAAAAAAAAAAAAAAAAAAAAA==",
               "Sec_WebSocket_Version": "13", "Sec_WebSocket_Protocol": f"bench, {token}"}  # fmt: skip
    answer, _ = client.ask("GET", "/sound?rate=16000", x_bench_token=None, **upgrade, **changed)
    assert answer.status == 403
    line = socket.create_connection(tuple(client.host.split(":")), timeout=5)  # type: ignore[arg-type]
    path = "/sound?rate=16000"
    upgrade["Sec_WebSocket_Protocol"] = f"bench, {client.good[HEADER]}"
    head = [f"GET {path} HTTP/1.1", *(f"{n.replace('_', '-')}: {v}" for n, v in {**client.good, **upgrade}.items())]
    line.sendall("\r\n".join([*head, "", ""]).encode())
    assert b" 101 " in line.recv(4000).split(b"\r\n")[0]
    line.close()


def test_the_server_listens_on_loopback_only(idle: Client) -> None:
    assert [one.getsockname()[0] for one in idle.served.server._sockets] == ["127.0.0.1"]


def test_a_stop_ends_open_streams_and_leaves_the_job(client: Client) -> None:
    client.open()
    line = HTTPConnection(client.host, timeout=10)
    line.request("GET", "/events", headers=client.good)
    stream = line.getresponse()
    assert stream.readline().startswith(b"retry")
    begun = time.monotonic()
    client.served.server.stop()
    stream.read()
    line.close()
    assert time.monotonic() - begun < 5
    while client.served.bench.desk.has_job:
        assert time.monotonic() - begun < 5
        time.sleep(0.02)
    assert [row.kind for row in client.served.bench.record.rows()][-1] == "paused"
