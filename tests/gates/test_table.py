"""All routes, all roles: one walk over everything that is served."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from starlette.routing import Route, WebSocketRoute

from capture.bench.gate.access import Rule, Table
from capture.bench.page.app import TABLE, make_app
from tests.gates.conftest import Caller, Gated

EXAMPLES = {
    "{name}": "icon.svg",
    "{digest}": "0" * 64,
    "{number:int}": "7",
    "{action}": "nothing",
    "{form}": "pdf",
    "{job}": "0190b2c4-0000-7000-8000-000000000000",
    "{row}": "0190b2c4-0000-7000-8000-000000000000",
}
VISITORS: dict[str, Callable[[Gated], Caller]] = {
    "this machine": lambda gated: gated.here(),
    "technician": lambda gated: gated.logged_in("Rhea Okoro"),
    "reviewer": lambda gated: gated.logged_in("Ines Falk"),
    "reader": lambda gated: gated.logged_in("Tom Wray"),
    "phone": lambda gated: gated.phone(),
    "stranger": lambda gated: gated.stranger(),
}
ROLES = {
    "this machine": {"technician", "reviewer", "reader"},
    "technician": {"technician"},
    "reviewer": {"reviewer"},
    "reader": {"reader"},
    "phone": {"phone"},
    "stranger": set(),
}
REFUSED = {401, 403}


def example(path: str) -> str:
    for mark, text in EXAMPLES.items():
        path = path.replace(mark, text)
    assert "{" not in path, f"give an example for {path}"
    return path


def served(gated: Gated) -> set[tuple[str, str]]:
    """(method, path) of everything that the application serves."""
    bench = gated.served.bench
    found: set[tuple[str, str]] = set()
    for route in make_app(bench.desk, bench.hub, gated.server.gate).routes:
        if isinstance(route, WebSocketRoute):
            found.add(("WS", route.path))
        else:
            assert isinstance(route, Route), f"{route} would not be seen by this test"
            found |= {(method, route.path) for method in (route.methods or set()) - {"HEAD"}}
    return found


def test_everything_that_is_served_stands_in_the_table_and_nothing_else(idle: Gated) -> None:
    assert served(idle) == {(rule.method, rule.path) for rule in TABLE.rules}


@pytest.mark.parametrize("who", VISITORS)
@pytest.mark.parametrize("rule", TABLE.rules, ids=lambda rule: f"{rule.method} {rule.path}")
def test_each_route_lets_in_whom_the_table_names_and_nobody_else(idle: Gated, rule: Rule, who: str) -> None:
    caller = VISITORS[who](idle)
    path = example(rule.path)
    if rule.method == "WS":
        upgrade = {"Upgrade": "websocket", "Connection": "Upgrade", "Sec_WebSocket_Key": "AAAAAAAAAAAAAAAAAAAAAA==",
                   "Sec_WebSocket_Version": "13", "Sec_WebSocket_Protocol": "bench, " + secret(caller)}  # fmt: skip
        answer = caller.ask("GET", f"{path}?rate=16000", **upgrade)
        assert (answer.status == 403) != bool(rule.who & ROLES[who])
        return
    answer = caller.ask(rule.method, path, b"{}" if rule.method == "POST" else b"")
    if "everybody" in rule.who:
        assert answer.status not in {404, 405}
        assert b"session" not in answer.data
    elif rule.who & ROLES[who]:
        assert answer.status not in REFUSED, answer.data
    else:
        assert answer.status == (401 if who == "stranger" else 403)
        assert set(answer.json) == {"error"}


def secret(caller: Caller) -> str:
    from capture.bench.gate.visitors import write_secret

    return write_secret(caller.token) if caller.token else "none"


@pytest.mark.parametrize("who", [who for who in VISITORS if who != "stranger"])
@pytest.mark.parametrize("rule", [r for r in TABLE.rules if r.method == "POST" and "everybody" not in r.who], ids=str)
def test_nobody_writes_without_the_page_s_secret_or_from_elsewhere(idle: Gated, rule: Rule, who: str) -> None:
    caller = VISITORS[who](idle)
    for changed in (
        {"x_bench_token": None},
        {"x_bench_token": "0" * 64},
        {"Origin": "http://evil.example"},
        {"Origin": None},
    ):
        assert caller.post(example(rule.path), {}, **changed).status == 403


def test_a_session_comes_in_by_its_own_door_only(idle: Gated) -> None:
    here, there = idle.here(), idle.logged_in("Ada Moss")
    here.door, there.door = idle.lan, idle.local
    assert here.ask("GET", "/").status == 401
    assert there.ask("GET", "/").status == 401


def test_what_is_in_no_table_is_refused_though_the_application_serves_it(idle: Gated) -> None:
    caller = idle.here()
    for path in (
        "/openapi.json",
        "/docs",
        "/record/ledger.sqlite",
        "//",
        "/static",
        "/events/",
        "/Events",
        "/job/open/",
    ):
        assert caller.ask("GET", path).status in {404, 405}, path


def test_a_route_stands_in_a_table_once() -> None:
    rule = Rule("GET", "/", frozenset({"reader"}))
    with pytest.raises(ValueError, match="twice"):
        Table((rule, rule))
