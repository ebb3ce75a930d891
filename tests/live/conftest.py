"""A bench with its server running, and a real browser to look at it, for the tests of the page."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from capture.bench.page.serve import BenchServer, Network
from tests.conftest import CHROMIUM
from tests.live.stand_ins import Bench, make_bench

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--autoplay-policy=no-user-gesture-required",
]


@dataclass
class Served:
    """A bench and where it is served."""

    bench: Bench
    server: BenchServer

    @property
    def address(self) -> str:
        """What a browser opens."""
        return self.server.address


@contextmanager
def running(
    folder: Path, *lines: str, port: int = 0, network: Network | None = None, kept: Path | None = None, **facts: Any
) -> Iterator[Served]:
    """A bench in ``folder`` (see ``make_bench``) with its server, until the block ends."""
    bench = make_bench(folder, lines, **facts)
    server = BenchServer(bench.desk, bench.hub, port, network, kept)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield Served(bench, server)
    finally:
        server.stop()
        thread.join(timeout=10)
        bench.record.close()


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[..., Served]]:
    """Starts a bench with ``lines`` and other facts and its server."""
    with ExitStack() as stack:
        yield lambda *lines, **facts: stack.enter_context(running(tmp_path, *lines, **facts))


@pytest.fixture(scope="session")
def browser(driver: Any) -> Iterator[Any]:
    """Chromium."""
    started = driver.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
    yield started
    started.close()
