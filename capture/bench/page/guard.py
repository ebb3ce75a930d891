"""Who may talk to the bench's server, and what its pages may do. Every request passes here first.

- Host: only the names that this door was opened for, so that a foreign name that resolves to this machine (DNS
  rebinding) gets nothing.
- Origin: writes and sockets must come from our own pages, and nothing is read for a page of another origin, not even
  one of another port of this machine.
- Session: a cookie (HttpOnly, SameSite=Strict, with TLS also Secure) names a session kept on the server; each session
  comes in by one door only: this machine's by its secret address, the network's by a login or a pairing.
- Table: ``access`` says which role may use which route; what does not stand there is refused.
- Writes and sockets: a second secret, which only our page knows, must be in a header.
- Pages: a content security policy without inline code and without foreign sources; no sniffing, no framing, no caching,
  no CORS headers.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from hmac import compare_digest
from http.cookies import CookieError, SimpleCookie
from typing import Literal

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from capture.bench.gate.access import Rule, Table
from capture.bench.gate.visitors import Via, Visitor, Visitors

HEADER = "x-bench-token"
SOCKET_PROTOCOL = "bench"

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; media-src 'self' blob:; "
    "connect-src 'self' {sockets}; form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "microphone=(self), camera=(self), geolocation=()",
    "cache-control": "no-store",
}
_ENTRANCES = {"/enter": "the address that was printed at its start", "/login": "the login page"}


@dataclass(frozen=True)
class Door:
    """One address that the server listens on. ``hosts`` are the allowed Host headers, with port."""

    hosts: tuple[str, ...]
    scheme: Literal["http", "https"]
    port: int
    vias: frozenset[Via]
    entrance: Literal["/enter", "/login"]

    @property
    def origin(self) -> str:
        """What a browser calls it."""
        return f"{self.scheme}://{self.hosts[0]}"

    @property
    def cookie(self) -> str:
        """The name of its session's cookie. Browsers keep one jar for all ports, hence the port in it."""
        return f"{'__Host-' if self.scheme == 'https' else ''}benchwitness_{self.port}"


class Guard:
    """One door: lets through what may pass, with ``visitor`` and ``door`` in its scope.

    Args:
        app: what is guarded.
        door: where requests come in.
        visitors: the sessions.
        table: who may use what.
    """

    def __init__(self, app: ASGIApp, door: Door, visitors: Visitors, table: Table) -> None:
        self._app, self._door, self._visitors, self._table = app, door, visitors, table
        self._origins = frozenset(f"{door.scheme}://{host}" for host in door.hosts)
        ws = "wss" if door.scheme == "https" else "ws"
        self._policy = _POLICY.format(sockets=" ".join(sorted(f"{ws}://{host}" for host in door.hosts)))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request."""
        if scope["type"] not in {"http", "websocket"}:
            await self._app(scope, receive, send)
            return
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        visitor = self._visitor(headers)
        refusal = self._refusal(scope, headers, visitor)
        if refusal is None:
            passed = {**scope, "visitor": visitor, "door": self._door, "session": _cookie(headers, self._door.cookie)}
            await self._app(passed, receive, self._with_headers(send))
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008, "reason": refusal[1][:120]})
        elif refusal[0] == 401 and headers.get("sec-fetch-mode") == "navigate":
            await _redirect(self._with_headers(send), self._door.entrance)
        else:
            await _answer(self._with_headers(send), *refusal)

    def _visitor(self, headers: dict[str, str]) -> Visitor | None:
        found = self._visitors.of(_cookie(headers, self._door.cookie))
        return found if found is not None and found.via in self._door.vias else None

    def _refusal(self, scope: Scope, headers: dict[str, str], visitor: Visitor | None) -> tuple[int, str] | None:
        if headers.get("host", "") not in self._door.hosts:
            return 421, "This server does not answer under that name; open the address that was printed at its start."
        rule = self._table.find(scope)
        writes = scope["type"] == "websocket" or scope["method"] not in {"GET", "HEAD"}
        if not self._ours(headers, writes):
            return 403, "The request comes from a page of another origin; use the bench's own page."
        if rule is not None and "everybody" in rule.who:
            return _too_large(rule, headers)
        if visitor is None:
            return 401, f"The bench does not know this browser; open {_ENTRANCES[self._door.entrance]}."
        if writes and not _same(_token(headers, scope["type"]), visitor.write):
            return 403, "The page is of an earlier session; load it again."
        if rule is None:
            return (405 if self._table.knows(scope["path"]) else 404), "There is nothing under this address."
        if not rule.admits(visitor):
            return 403, f"This is for {_listed(rule.who)}; log in as such."
        return _too_large(rule, headers)

    def _ours(self, headers: dict[str, str], writes: bool) -> bool:
        origin = headers.get("origin")
        if writes or origin is not None:
            return origin in self._origins
        opened = headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") == "document"
        return opened or headers.get("sec-fetch-site", "none") in {"none", "same-origin"}

    def _with_headers(self, send: Send) -> Send:
        extra = [(name.encode(), value.encode()) for name, value in _HEADERS.items()]
        extra.append((b"content-security-policy", self._policy.encode()))

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                names = {name for name, _ in extra}
                kept = [pair for pair in message.get("headers", []) if pair[0].lower() not in names]
                message = {**message, "headers": [*kept, *extra]}
            await send(message)

        return sending


def _cookie(headers: dict[str, str], name: str) -> str:
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(name)
    except CookieError:
        return ""
    return morsel.value if morsel is not None else ""


def _token(headers: dict[str, str], kind: str) -> str:
    """The page's second secret: in a header of our own, or, where a page cannot set one, among a socket's protocols."""
    if kind != "websocket":
        return headers.get(HEADER, "")
    offered = [part.strip() for part in headers.get("sec-websocket-protocol", "").split(",")]
    return offered[1] if len(offered) == 2 and offered[0] == SOCKET_PROTOCOL else ""


def _same(given: str, known: str) -> bool:
    return compare_digest(given.encode("utf-8", "replace"), known.encode())


def _too_large(rule: Rule, headers: dict[str, str]) -> tuple[int, str] | None:
    size = headers.get("content-length", "0")
    if not (size.isascii() and size.isdigit()) or len(size) > 12 or int(size) > rule.largest:
        return 413, f"That is larger than the {rule.largest // 1000} kB that are taken here; send a smaller one."
    return None


def _listed(who: Iterable[str]) -> str:
    return " or ".join(f"a {name}" for name in sorted(who))


async def _redirect(send: Send, place: str) -> None:
    headers = [(b"location", place.encode()), (b"content-length", b"0")]
    await send({"type": "http.response.start", "status": 303, "headers": headers})
    await send({"type": "http.response.body", "body": b""})


async def _answer(send: Send, status: int, sentence: str) -> None:
    body = json.dumps({"error": sentence}).encode()
    headers = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
