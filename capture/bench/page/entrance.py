"""Coming in and going out: the secret address of this machine, the login of the network. Nothing of the record here.

Secrets come in the body of a request, never in an address: what a browser reads from its address line after the ``#``
stays in the browser, is not sent to any server, and is in no history after the page has used it.
"""

from __future__ import annotations

import asyncio
import logging
import math
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from hmac import compare_digest

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from capture.bench.gate.lan import readable
from capture.bench.gate.pairing import Pairing
from capture.bench.gate.passphrase import LONGEST
from capture.bench.gate.people import LONGEST_NAME, People
from capture.bench.gate.throttle import Throttle
from capture.bench.gate.visitors import LIFE, Via, Visitors
from capture.bench.page.answers import answering, door_of, own_file, page, visitor_of
from capture.bench.page.guard import Door
from capture.bench.page.uploads import Refused, json_of

FILES = {
    "enter.js": "text/javascript",
    "login.js": "text/javascript",
    "phone.js": "text/javascript",
    "entrance.css": "text/css",
    "icon.svg": "image/svg+xml",
}
FREE_BY_NAME, FREE_BY_ADDRESS, FREE_BY_TOKEN = 5, 15, 10
_log = logging.getLogger("uvicorn.error")
_WRONG = "Name and passphrase do not belong together; try again."


@dataclass
class Gate:
    """Everything that decides who comes in. ``lan`` is the network's door, None where the bench has none;
    ``fingerprint`` its certificate's, empty where it is not encrypted."""

    visit: str
    visitors: Visitors
    people: People | None = None
    lan: Door | None = None
    fingerprint: str = ""
    pairing: Pairing = field(default_factory=Pairing)
    throttle: Throttle = field(default_factory=Throttle)
    hashing: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(2))


class Entrance:
    """The routes by which one comes in.

    Args:
        gate: who comes in.
        left: is told when somebody went out.
    """

    def __init__(self, gate: Gate, left: Callable[[], None]) -> None:
        self._gate, self._left = gate, left

    def routes(self) -> list[Route]:
        """The routes."""
        return [
            Route("/enter", self.enter_page),
            Route("/enter", answering(self.enter), methods=["POST"]),
            Route("/login", self.login_page),
            Route("/login", answering(self.login), methods=["POST"]),
            Route("/logout", answering(self.logout), methods=["POST"]),
            Route("/me", self.me),
            Route("/entrance/{name}", self.file),
        ]

    async def enter_page(self, request: Request) -> Response:
        """Tells this machine's secret address to the server."""
        return page("enter.html", entrance=door_of(request).entrance)

    async def enter(self, request: Request) -> Response:
        """Let this machine's browser in."""
        if "local" not in door_of(request).vias:
            raise Refused(403, "The secret address lets in on the bench's own machine only; log in.")
        data = await json_of(request, "token")
        if not compare_digest(data["token"].encode("utf-8", "replace"), self._gate.visit.encode()):
            raise Refused(
                401, "Open the address that was printed at the start of the bench; this one is of another start."
            )
        return self._let_in(request, self._gate.visitors.begin("local"), "local")

    async def login_page(self, request: Request) -> Response:
        """Asks for name and passphrase."""
        door = door_of(request)
        return page("login.html", plain=door.scheme == "http", possible="login" in door.vias)

    async def login(self, request: Request) -> Response:
        """Let a person in."""
        people = self._gate.people
        if people is None or "login" not in door_of(request).vias:
            raise Refused(403, "Nobody logs in on the bench's own machine; open the address that was printed.")
        data = await json_of(request, "name", "passphrase")
        name, passphrase = data["name"], data["passphrase"]
        if len(name) > 4 * LONGEST_NAME or len(passphrase) > LONGEST:
            raise Refused(401, _WRONG)
        known = " ".join(name.casefold().split())
        here, both = ("from", address_of(request)), ("name", known, address_of(request))
        self.slow_down({here: FREE_BY_ADDRESS, both: FREE_BY_NAME})
        async with self._gate.hashing:
            person = await asyncio.to_thread(people.check, name, passphrase)
        if person is None:
            # Not the name: people type their passphrase into the wrong field.
            _log.warning("a login from %s was refused", address_of(request))
            raise Refused(401, _WRONG)
        self._gate.throttle.passed(both)
        return self._let_in(request, self._gate.visitors.begin("login", person.name), "login")

    async def logout(self, request: Request) -> Response:
        """End this session."""
        self._gate.visitors.end(token=request.scope["session"])
        await asyncio.to_thread(self._left)
        answer = JSONResponse({})
        door = door_of(request)
        answer.delete_cookie(door.cookie, path="/", secure=door.scheme == "https", httponly=True, samesite="strict")
        return answer

    async def me(self, request: Request) -> Response:
        """Who this browser is to the bench."""
        visitor = visitor_of(request)
        return JSONResponse({"via": visitor.via, "person": visitor.person, "roles": sorted(visitor.roles)})

    async def file(self, request: Request) -> Response:
        """The few files that these pages are made of."""
        return own_file(request.path_params["name"], FILES)

    def slow_down(self, keys: dict[Hashable, int]) -> None:
        """Begin a try, or refuse it.

        Raises:
            Refused: too many of these failed before.
        """
        wait = self._gate.throttle.begin(keys)
        if wait > 0:
            seconds = math.ceil(wait)
            sentence = f"Too many tries; wait {seconds} seconds and try again."
            raise Refused(429, sentence, {"retry-after": str(seconds)})

    def _let_in(self, request: Request, token: str, via: Via) -> Response:
        return let_in(door_of(request), token, via)


def let_in(door: Door, token: str, via: Via) -> Response:
    """The answer that gives a browser its session."""
    answer = JSONResponse({"to": "/phone" if via == "phone" else "/"})
    answer.set_cookie(
        door.cookie,
        token,
        max_age=int(LIFE[via]),
        httponly=True,
        samesite="strict",
        secure=door.scheme == "https",
        path="/",
    )
    return answer


def address_of(request: Request) -> str:
    """The address that a request came from, as the socket knows it; no header is believed."""
    return request.client.host if request.client else "?"


def shown_fingerprint(gate: Gate) -> str:
    """The certificate's fingerprint as browsers show it."""
    return readable(gate.fingerprint) if gate.fingerprint else ""
