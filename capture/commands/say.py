"""``benchwitness say``: what typed words would be understood as."""

from __future__ import annotations

import json
from dataclasses import fields
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from capture.phrases import Statement


@click.command()
@click.argument("words", nargs=-1, required=True)
@click.option("--procedure", default="lever_valve", show_default=True, help="A shipped procedure's id, or a file.")
@click.option("--field", metavar="ID", help="The reading that was named last, for a value said by itself.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(words: tuple[str, ...], procedure: str, field: str | None, as_json: bool) -> int:
    """Show what WORDS, one utterance, would be understood as. Nothing is recorded.

    Leaves with 1 when any of it is refused or not understood.
    """
    from capture.phrases import Context, parse, read_back
    from capture.phrases.statements import NotUnderstood, Refused
    from capture.procedure import find, load_procedure

    known = load_procedure(find(procedure))
    statements = parse(" ".join(words).split(), known, Context(last_field=field))
    if as_json:
        click.echo(json.dumps([as_json_object(s) for s in statements], ensure_ascii=False, indent=2))
    else:
        for statement in statements:
            click.echo(f"{statement.words}\n    {type(statement).__name__}: {read_back(statement, known)}")
    return int(any(isinstance(s, Refused | NotUnderstood) for s in statements))


def as_json_object(statement: Statement) -> dict[str, Any]:
    """A statement as plain JSON: its type's name and its fields, amounts and turns as strings; what a correction
    brings is ``inner``."""
    return {"statement": type(statement).__name__} | {
        "inner" if field.name == "statement" else field.name: _plain(getattr(statement, field.name))
        for field in fields(statement)
    }


def _plain(value: Any) -> Any:
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, Fraction | date):
        return str(value)
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "span"):
        return as_json_object(value)
    return value
