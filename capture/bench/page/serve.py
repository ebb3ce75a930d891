"""Runs the bench's server on this machine's loopback until it is stopped."""

from __future__ import annotations

import socket

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


class BenchServer:
    """The bench's server; ``address`` is what a browser must open.

    Args:
        desk: the bench.
        hub: spreads what it tells.
        port: where; 0 takes any free one.

    Raises:
        EnvironmentFault: the port is taken.
    """

    def __init__(self, desk: Desk, hub: Hub, port: int) -> None:
        hub.board = desk.board
        self._desk = desk
        self._socket = listening_socket(port)
        number = self._socket.getsockname()[1]
        self.secrets = Secrets()
        self.origin = f"http://{LOOPBACK}:{number}"
        self.address = f"{self.origin}/enter?token={self.secrets.visit}"
        app = make_app(desk, hub, self.secrets, [f"{name}:{number}" for name in (LOOPBACK, "localhost")])
        config = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            server_header=False,
            ws="websockets-sansio",
            ws_max_size=1 << 20,
            timeout_graceful_shutdown=2,
        )
        self._server = _Server(config, hub)

    def run(self) -> None:
        """Serve until the program is interrupted or ``stop`` is called; a live job is then left to be taken up."""
        try:
            self._server.run(sockets=[self._socket])
        finally:
            self._desk.close()
            self._socket.close()

    def stop(self) -> None:
        """Ask the server to end; from any thread."""
        self._server.should_exit = True


class _Server(uvicorn.Server):
    """Ends the pages' streams when it is asked to stop, so that nothing waits for them."""

    def __init__(self, config: uvicorn.Config, hub: Hub) -> None:
        super().__init__(config)
        self._hub = hub

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._hub.close()
        await super().shutdown(sockets)
