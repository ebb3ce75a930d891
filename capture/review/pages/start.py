"""Serves the review pages alone, for whoever reviews at another time, or on another machine, than the bench works."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import click

from capture.bench.live_desk import Desk, Settings
from capture.bench.live_start import config_folder, measurer_factory
from capture.bench.page.hub import Hub
from capture.bench.page.serve import BenchServer
from capture.errors import UsageError
from capture.record import Record
from capture.record.place import record_folder


def run(
    place: Path | None, setups: Mapping[str, Path], port: int, ready: Callable[[BenchServer], None] = lambda s: None
) -> int:
    """Serve a record's review pages until the program is stopped; returns the exit code.

    Args:
        place: the record's folder, or None for the usual place.
        setups: measuring setups by photo view, for measuring pictures again.
        port: where; 0 takes any free one.
        ready: is handed the server before it serves.

    Raises:
        UsageError: there is no record, or a setup cannot be used.
        EnvironmentFault: the port is taken.
    """
    folder = record_folder(place)
    _check(setups)
    hub = Hub()
    with Record.open(folder) as record:
        settings = Settings({}, voice="off", setups=setups)
        desk = Desk(record, settings, _nobody_listens, measurer_factory(setups), hub.tell, hub.pages)
        server = BenchServer(desk, hub, port, kept=config_folder())
        click.echo(f"record {folder}", err=True)
        click.echo("Open this address in a browser of this machine; stop with Ctrl+C.", err=True)
        click.echo(server.address)
        ready(server)
        server.run()
    return 0


def _check(setups: Mapping[str, Path]) -> None:
    """Read the setups now, so that a wrong one is said at once."""
    from vision import load_setup

    for path in setups.values():
        load_setup(path)


def _nobody_listens(procedure: Any) -> Any:
    raise UsageError("Jobs are worked on at the bench; start it with 'benchwitness bench'.")
