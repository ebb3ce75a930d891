"""Runs the bench's server until it is stopped: on this machine's loopback, with ``--lan`` on a network address too."""

from __future__ import annotations

import asyncio
import secrets
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from capture.bench.gate.lan import Address, Certificate, host_of
from capture.bench.gate.people import People
from capture.bench.gate.visitors import Visitors
from capture.bench.live_desk import Desk
from capture.bench.page.app import TABLE, make_app
from capture.bench.page.entrance import Gate
from capture.bench.page.guard import Door, Guard
from capture.bench.page.hub import Hub
from capture.errors import EnvironmentFault

LOOPBACK = "127.0.0.1"
_MOST_FROM_NETWORK = 64
"""Connections from the network at once; more are sent away, so that this machine's own page is never kept waiting."""


@dataclass(frozen=True)
class Network:
    """What ``--lan`` opens: one address of this machine, its certificate (None: not encrypted), who may log in."""

    address: Address
    certificate: Certificate | None
    people: People
    port: int


def listening_socket(port: int, address: str = LOOPBACK) -> socket.socket:
    """A socket on an address of this machine; ``port`` 0 means any free one.

    Raises:
        EnvironmentFault: the port is taken, or the address is not this machine's.
    """
    made = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((address, port))
        made.listen(64)
    except OSError as error:
        made.close()
        raise EnvironmentFault(
            f"Port {port} of {address} cannot be used ({error.strerror}); name another one with --port, or 0 for any."
        ) from error
    return made


class BenchServer:
    """The bench's server; ``address`` is what a browser of this machine must open, ``lan`` the network's door or None.

    Args:
        desk: the bench.
        hub: spreads what it tells.
        port: where; 0 takes any free one.
        network: also serve there.
        kept: the folder in which sessions outlive a start; None: they end with this one.

    Raises:
        EnvironmentFault: the port is taken.
    """

    def __init__(
        self, desk: Desk, hub: Hub, port: int, network: Network | None = None, kept: Path | None = None
    ) -> None:
        self._desk = desk
        self._sockets = [listening_socket(port)]
        number = self._sockets[0].getsockname()[1]
        local = Door(
            hosts=(f"{LOOPBACK}:{number}", f"localhost:{number}"),
            scheme="http",
            port=number,
            vias=frozenset({"local"}),
            entrance="/enter",
        )
        people = None if network is None else network.people
        self.visitors = Visitors(people, None if kept is None or port == 0 else kept / f"sessions-{port}.json")
        self.gate = Gate(secrets.token_urlsafe(24), self.visitors, people)
        self.origin = local.origin
        self.address = f"{self.origin}/enter#{self.gate.visit}"
        self.lan: Door | None = None
        if network is not None:
            self._open(network)
        app = make_app(desk, hub, self.gate)
        self._servers = [_Server(_config(Guard(app, local, self.visitors, TABLE)), hub)]
        if network is not None and self.lan is not None:
            config = _config(Guard(app, self.lan, self.visitors, TABLE), network)
            self._servers.append(_Server(config, hub, self._servers[0]))

    def _open(self, network: Network) -> None:
        try:
            self._sockets.append(listening_socket(network.port, str(network.address)))
        except EnvironmentFault:
            self._sockets[0].close()
            raise
        number = self._sockets[1].getsockname()[1]
        self.lan = Door(
            hosts=(host_of(network.address, number),),
            scheme="http" if network.certificate is None else "https",
            port=number,
            vias=frozenset({"login", "phone"}),
            entrance="/login",
        )
        self.gate.lan = self.lan
        self.gate.fingerprint = "" if network.certificate is None else network.certificate.fingerprint

    def run(self) -> None:
        """Serve until the program is interrupted or ``stop`` is called; a live job is then left to be taken up."""
        try:
            asyncio.run(self._serve())
        finally:
            self._desk.close()
            for one in self._sockets:
                one.close()

    async def _serve(self) -> None:
        pairs = zip(self._servers, self._sockets, strict=True)
        with uvicorn.Server.capture_signals(self._servers[0]):
            await asyncio.gather(*(server.serve(sockets=[one]) for server, one in pairs))

    def stop(self) -> None:
        """Ask the server to end; from any thread."""
        for server in self._servers:
            server.should_exit = True


class _Server(uvicorn.Server):
    """Ends the pages' streams when it is asked to stop, so that nothing waits for them, and ends with the ``first``."""

    def __init__(self, config: uvicorn.Config, hub: Hub, first: _Server | None = None) -> None:
        super().__init__(config)
        self._hub, self._first = hub, first

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Signals are taken for all servers together."""
        yield

    async def on_tick(self, counter: int) -> bool:
        """Whether it is to end."""
        return await super().on_tick(counter) or (self._first is not None and self._first.should_exit)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End; who does not read what was sent is cut off."""
        self._hub.close()
        await super().shutdown(sockets)
        for connection in list(self.server_state.connections):
            connection.transport.abort()
        await asyncio.sleep(0)


def _config(app: ASGIApp, network: Network | None = None) -> uvicorn.Config:
    certificate = None if network is None else network.certificate
    return uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="websockets-sansio",
        ws_max_size=1 << 20,
        timeout_graceful_shutdown=2,
        lifespan="on" if network is None else "off",
        limit_concurrency=None if network is None else _MOST_FROM_NETWORK,
        ssl_certfile=None if certificate is None else certificate.chain,
        ssl_keyfile=None if certificate is None else certificate.key,
    )
