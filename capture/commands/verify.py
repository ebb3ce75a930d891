"""``benchwitness verify``: recompute a record and name every fault."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from capture.record import Verification


@click.command()
@click.argument("record", type=click.Path(path_type=Path), required=False)
@click.option("--head", metavar="HASH", help="A row's hash that was kept elsewhere, or its first 16 digits or more.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(record: Path | None, head: str | None, as_json: bool) -> int:
    """Recompute the whole record in the folder RECORD: every row, the chain of their hashes, every file.

    RECORD is else $BENCHWITNESS_RECORD, else ./benchwitness-record. Nothing is changed. A head kept elsewhere, on a
    printed report say, also shows rows that were cut off at the end. Every signature is checked, and keys that are not
    trusted here are named (see 'key trust'). Leaves with 3 when there is any fault.
    """
    from capture.commands.progress import on_terminal
    from capture.record import verify
    from capture.record.place import record_folder
    from capture.record.spread import processors

    folder = record_folder(record)
    with on_terminal("verifying") as progress:
        found = verify(folder, head=head, progress=progress, processes=processors())
    click.echo(
        json.dumps(_as_json(folder, found), ensure_ascii=False, indent=2) if as_json else _as_text(folder, found)
    )
    return 0 if found.ok else 3


def _as_json(folder: Path, found: Verification) -> dict[str, Any]:
    from capture.commands.keeping import key_doubts

    doubts = key_doubts(found.signatures)
    return {"record": str(folder), "ok": found.ok, **asdict(found), "keys_in_doubt": doubts}


def _as_text(folder: Path, found: Verification) -> str:
    from capture.commands.keeping import key_doubts

    lines = [f"FAULT   {fault}" for fault in found.faults] + [f"notice  {notice}" for notice in found.notices]
    lines += [f"signed  {one}" for one in found.signatures]
    if found.signed > len(found.signatures):
        lines.append(f"signed  and {found.signed - len(found.signatures)} more signatures, which hold")
    lines += [f"key     {doubt}" for doubt in key_doubts(found.signatures)]
    lines.append(f"{folder}: {_count(found.rows, 'row')} and {_count(found.media, 'file')} recomputed.")
    lines.append(f"head    row {found.head.seq}, {found.head.hash}")
    if found.ok:
        lines.append("The record proves itself. Keep the head elsewhere: only that shows rows cut off later.")
    else:
        lines.append(f"{_count(len(found.faults), 'fault')}: the record does not prove itself.")
    return "\n".join(lines)


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
