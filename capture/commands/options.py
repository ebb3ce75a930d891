"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

_F = TypeVar("_F", bound=Callable[..., Any])


def record_option(command: _F) -> _F:
    """A decorator that gives a click command the option ``--record`` (argument ``record``: Path or None)."""
    return click.option(
        "--record",
        type=click.Path(path_type=Path),
        default=None,
        metavar="FOLDER",
        help="The record's folder; else $BENCHWITNESS_RECORD, else ./benchwitness-record.",
    )(command)
