"""Who may talk to the bench's server, and what its pages may do.

- Host: only the names that the server was started for, so that a foreign name that resolves to this machine (DNS
  rebinding) gets nothing.
- Token: a secret made at start is in the address that is printed; opening it sets a cookie (HttpOnly, SameSite=Strict).
  Without the cookie nothing is served, so that other users of the machine cannot read or write.
- Writes and sockets: the Origin must be our own, and a second secret, which only our page knows, must be in a header
  (in the address of a socket, where no header can be set).
- Pages: a content security policy without inline code and without foreign sources; no sniffing, no framing, no caching,
  no CORS headers.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Iterable
from hmac import compare_digest
from http.cookies import SimpleCookie
from urllib.parse import parse_qs

from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "benchwitness_bench"
HEADER = "x-bench-token"
LARGEST_BODY = 64_000
LARGEST_PHOTO = 40_000_000

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


class Secrets:
    """``visit`` lets a browser in, ``write`` is what its page writes with."""

    def __init__(self) -> None:
        self.visit = secrets.token_urlsafe(24)
        self.write = secrets.token_urlsafe(24)


class Guard:
    """Middleware that lets nothing else through.

    Args:
        app: what is guarded.
        known: the secrets.
        hosts: allowed values of the Host header, with port.
    """

    def __init__(self, app: ASGIApp, known: Secrets, hosts: Iterable[str]) -> None:
        self._app, self._secrets = app, known
        self._hosts = frozenset(hosts)
        self._origins = frozenset(f"http://{host}" for host in self._hosts)
        sockets = " ".join(sorted(f"ws://{host}" for host in self._hosts))
        self._policy = _POLICY.format(sockets=sockets)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request."""
        if scope["type"] not in {"http", "websocket"}:
            await self._app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        if refusal is None:
            await self._app(scope, receive, self._with_headers(send))
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008, "reason": refusal[1][:120]})
        else:
            await _answer(self._with_headers(send), *refusal)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        if headers.get("host", "") not in self._hosts:
            return 421, "This server does not answer under that name; open the address that was printed at its start."
        query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
        writes = scope["type"] == "websocket" or scope["method"] not in {"GET", "HEAD"}
        if writes and headers.get("origin", "") not in self._origins:
            return 403, "The request comes from a page of another origin; use the bench's own page."
        entering = scope["type"] == "http" and scope["path"] == "/enter"
        if not entering and not _same(_cookie(headers), self._secrets.visit):
            return 401, "The bench does not know this browser; open the address that was printed at its start."
        given = headers.get(HEADER, "") or (query.get("token", [""])[0] if scope["type"] == "websocket" else "")
        if writes and not _same(given, self._secrets.write):
            return 403, "The page is of an earlier start of the bench; load it again."
        return _too_large(scope, headers)

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


def _cookie(headers: dict[str, str]) -> str:
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except Exception:
        return ""
    return morsel.value if morsel is not None else ""


def _same(given: str, known: str) -> bool:
    return compare_digest(given.encode("utf-8", "replace"), known.encode())


def _too_large(scope: Scope, headers: dict[str, str]) -> tuple[int, str] | None:
    if scope["type"] != "http":
        return None
    most = LARGEST_PHOTO if scope["path"] == "/photo" else LARGEST_BODY
    size = headers.get("content-length", "0")
    if not size.isascii() or not size.isdigit() or int(size) > most:
        return 413, f"That is larger than the {most // 1000} kB that are taken here; send a smaller one."
    return None


async def _answer(send: Send, status: int, sentence: str) -> None:
    body = json.dumps({"error": sentence}).encode()
    headers = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
