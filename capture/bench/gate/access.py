"""Which role may use which route: one table. What does not stand in it is refused, whatever the application serves.

``who`` of a rule: technician, reviewer and reader are the roles of people (this machine's own page, let in by its
secret address, is all three), phone is a paired phone, everybody is whoever reaches the server.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from starlette.routing import compile_path

from capture.bench.gate.visitors import Visitor

Who = Literal["technician", "reviewer", "reader", "phone", "everybody"]
Method = Literal["GET", "POST", "WS"]

LARGEST_BODY = 64_000
LARGEST_PHOTO = 40_000_000

_PEOPLE: frozenset[Who] = frozenset({"technician", "reviewer", "reader"})
_TECHNICIAN: frozenset[Who] = frozenset({"technician"})
_PHONE: frozenset[Who] = frozenset({"phone"})
_EVERYBODY: frozenset[Who] = frozenset({"everybody"})


@dataclass(frozen=True)
class Rule:
    """One route: who may use it, and how many bytes it takes."""

    method: Method
    path: str
    who: frozenset[Who]
    largest: int = LARGEST_BODY

    def admits(self, visitor: Visitor | None) -> bool:
        """Whether this visitor may use it; None is somebody whom nobody knows."""
        if "everybody" in self.who:
            return True
        if visitor is None:
            return False
        return "phone" in self.who if visitor.via == "phone" else bool(visitor.roles & self.who)


BENCH: tuple[Rule, ...] = (
    # Coming in: nothing of the record is served here.
    Rule("GET", "/enter", _EVERYBODY),
    Rule("POST", "/enter", _EVERYBODY),
    Rule("GET", "/login", _EVERYBODY),
    Rule("POST", "/login", _EVERYBODY),
    Rule("GET", "/phone", _EVERYBODY),
    Rule("POST", "/phone/enter", _EVERYBODY),
    Rule("GET", "/entrance/{name}", _EVERYBODY),
    Rule("POST", "/logout", _PEOPLE | _PHONE),
    Rule("GET", "/me", _PEOPLE | _PHONE),
    # A paired phone: pictures of its job, and what became of its own ones.
    Rule("GET", "/phone/state", _PHONE),
    Rule("POST", "/phone/photo", _PHONE, LARGEST_PHOTO),
    Rule("GET", "/phone/media/{digest}", _PHONE),
    # The bench page.
    Rule("GET", "/", _PEOPLE),
    Rule("GET", "/static/{name}", _PEOPLE),
    Rule("GET", "/events", _PEOPLE),
    Rule("GET", "/media/{digest}", _PEOPLE),
    Rule("GET", "/said/{number:int}", _TECHNICIAN),
    Rule("POST", "/said/{number:int}/end", _TECHNICIAN),
    Rule("POST", "/job/{action}", _TECHNICIAN),
    Rule("POST", "/say", _TECHNICIAN),
    Rule("POST", "/hush", _TECHNICIAN),
    Rule("POST", "/listening", _TECHNICIAN),
    Rule("POST", "/practice/{number:int}", _TECHNICIAN),
    Rule("POST", "/photo", _TECHNICIAN, LARGEST_PHOTO),
    Rule("POST", "/camera", _TECHNICIAN),
    Rule("WS", "/sound", _TECHNICIAN),
    Rule("POST", "/phone/pair", _TECHNICIAN),
    Rule("POST", "/phone/withdraw", _TECHNICIAN),
    Rule("POST", "/phone/revoke", _TECHNICIAN),
)


class Table:
    """Finds a request's rule.

    Args:
        rules: all of them.

    Raises:
        ValueError: a route stands in it twice.
    """

    def __init__(self, rules: tuple[Rule, ...]) -> None:
        if len({(rule.method, rule.path) for rule in rules}) != len(rules):
            raise ValueError("a route stands twice in the table of who may use it")
        self.rules = rules
        self._compiled = [(rule, compile_path(rule.path)[0]) for rule in rules]

    def find(self, scope: Mapping[str, object]) -> Rule | None:
        """The rule of an ASGI scope; None: there is no such route."""
        method = "WS" if scope["type"] == "websocket" else scope["method"]
        method = "GET" if method == "HEAD" else method
        path = str(scope["path"])
        return next((rule for rule, regex in self._compiled if rule.method == method and regex.match(path)), None)

    def knows(self, path: str) -> bool:
        """Whether anything is served under a path, by whatever method."""
        return any(regex.match(path) for _, regex in self._compiled)
