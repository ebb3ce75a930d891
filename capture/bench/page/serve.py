"""Runs the bench's server on this machine's loopback until it is stopped."""

from __future__ import annotations

import socket
from collections.abc import Callable

import uvicorn

from capture.bench.live_desk import Desk
from capture.bench.page.app import make_app
from capture.bench.page.guard import Secrets
from capture.bench.page.hub import Hub
from capture.errors import EnvironmentFault

LOOPBACK = "127.0.0.1"


def listening_socket(port: int) -> socket.socket:
    """A socket on the loopback address; ``port`` 0 means any free one.

    Raises:
        EnvironmentFault: the port is taken.
    """
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((LOOPBACK, port))
        made.listen(64)
    except OSError as error:
        made.close()
        raise EnvironmentFault(
            f"Port {port} of {LOOPBACK} cannot be used ({error.strerror}); name another one with --port, or 0 for any."
        ) from error
    return made


def serve(desk: Desk, hub: Hub, port: int, ready: Callable[[str], None]) -> None:
    """Serve the page until the program is stopped; a live job is then left to be taken up.

    Args:
        desk: the bench.
        hub: spreads what it tells.
        port: where.
        ready: is told the address to open.

    Raises:
        EnvironmentFault: the port is taken.
    """
    known = Secrets()
    hub.board = desk.board
    sock = listening_socket(port)
    number = sock.getsockname()[1]
    app = make_app(desk, hub, known, [f"{name}:{number}" for name in (LOOPBACK, "localhost")])
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        ws="websockets-sansio",
        ws_max_size=1 << 20,
        timeout_graceful_shutdown=2,
    )
    server = Quiet(config, hub)
    ready(f"http://{LOOPBACK}:{number}/enter?token={known.visit}")
    try:
        server.run(sockets=[sock])
    finally:
        desk.close()
        sock.close()


class Quiet(uvicorn.Server):
    """Ends the pages' streams when it is asked to stop, so that nothing waits for them."""

    def __init__(self, config: uvicorn.Config, hub: Hub) -> None:
        super().__init__(config)
        self._hub = hub

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Stop."""
        self._hub.close()
        await super().shutdown(sockets)
