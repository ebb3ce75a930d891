"""Where the record is, when nobody says."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

VARIABLE = "BENCHWITNESS_RECORD"
DEFAULT = "benchwitness-record"

_F = TypeVar("_F", bound=Callable[..., Any])


def record_folder(given: str | Path | None = None) -> Path:
    """The record's folder: ``given``, else the environment variable BENCHWITNESS_RECORD, else
    ``benchwitness-record`` in the current folder. It need not exist."""
    return Path(given or os.environ.get(VARIABLE) or DEFAULT)


def record_option(command: _F) -> _F:
    """A decorator that gives a click command the option ``--record`` (argument ``record``: Path or None)."""
    return click.option(
        "--record",
        type=click.Path(path_type=Path),
        default=None,
        metavar="FOLDER",
        help=f"The record's folder; else ${VARIABLE}, else ./{DEFAULT}.",
    )(command)
