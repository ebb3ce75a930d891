"""A line of progress for long work: on standard error, and only on a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click


@contextmanager
def on_terminal(title: str) -> Iterator[Callable[[str, int, int], None]]:
    """Hand out a function of (what is worked on, how many are done, of how many); the line is wiped at the end."""
    shown = sys.stderr.isatty()

    def told(what: str, done: int, total: int) -> None:
        if shown:
            click.echo(f"\r{title}: {what} {done} of {total}\x1b[K", err=True, nl=False)

    try:
        yield told
    finally:
        if shown:
            click.echo("\r\x1b[K", err=True, nl=False)
