"""``benchwitness import``: the jobs of a bag, or of another record, into this record."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import click

from capture.commands.keeping import json_option, record_option


@click.command()
@click.argument("bag", type=click.Path(path_type=Path))
@click.option("--check", is_flag=True, help="Import nothing; only check the bag and say what is in it.")
@record_option
@json_option
def command(bag: Path, check: bool, record: Path | None, as_json: bool) -> int:
    """Check BAG and append its jobs, whole, to the record, which is made when there is none.

    BAG is a folder or ZIP archive that an export wrote, or the folder of another record, all of whose jobs are then
    taken. A bag with anything wrong is refused and the file named (exit code 3); nothing here is ever overwritten, and
    jobs that are here already are left as they are. Signing keys that are not trusted here (see 'key trust') are named,
    and this then leaves with 1.
    """
    from capture.commands.keeping import now
    from capture.commands.progress import on_terminal
    from capture.record import Record
    from capture.record.bag_import import import_bag
    from capture.record.connection import ledger_path
    from capture.record.merge import is_record, merge_record
    from capture.record.place import record_folder

    if check:
        return _check(bag, as_json)
    folder = record_folder(record)
    there = ledger_path(folder).is_file()
    if not there and not is_record(bag):
        _opened(bag)
    with on_terminal("importing") as progress, Record.open(folder) if there else Record.create(folder) as opened:
        take = merge_record if is_record(bag) else import_bag
        done = take(opened, bag, now(), progress=progress)
    doubts = _doubts(folder, (*done.new, *done.longer))
    if as_json:
        facts = {"record": str(folder), **done.__dict__, "keys_in_doubt": doubts}
        click.echo(json.dumps(facts, ensure_ascii=False, indent=2))
        return 1 if doubts else 0
    for what, jobs in (("imported", done.new), ("continued", done.longer), ("here already", done.known)):
        for job in jobs:
            click.echo(f"{what}  {job}")
    click.echo(f"{folder}: {done.rows} rows appended")
    return _told(doubts)


def _doubts(folder: Path, jobs: Iterable[str]) -> list[str]:
    """The keys in these jobs that are not trusted here."""
    from capture.commands.keeping import key_doubts
    from capture.record import Record
    from capture.record.signatures import job_signatures

    with Record.open(folder, writing=False) as opened:
        return key_doubts(one for job in jobs for one in job_signatures(list(opened.rows(job))))


def _told(doubts: list[str]) -> int:
    for sentence in doubts:
        click.echo(sentence, err=True)
    return 1 if doubts else 0


def _check(bag: Path, as_json: bool) -> int:
    about, doubts = _opened(bag)
    if as_json:
        facts = {"bag": str(bag), "ok": True, **about, "keys_in_doubt": doubts}
        click.echo(json.dumps(facts, ensure_ascii=False, indent=2))
        return 1 if doubts else 0
    for job in about["jobs"]:
        click.echo(f"job {job['job']}: {job['rows']} rows")
    click.echo(f"{bag}: the bag proves itself, up to the head {about['head']['hash']} of the record it came from.")
    return _told(doubts)


def _opened(bag: Path) -> tuple[dict[str, Any], list[str]]:
    """Check a bag without a record, so that a refused one leaves none behind; what it says of itself, and the keys in
    it that are not trusted here."""
    import tempfile

    from capture.commands.keeping import key_doubts
    from capture.commands.progress import on_terminal
    from capture.record.bag_import import opened_bag
    from capture.record.signatures import job_signatures

    near = Path(tempfile.gettempdir())
    with on_terminal("checking") as progress, opened_bag(bag, near, progress) as opened:
        signed = [one for job in opened.jobs for one in job_signatures(opened.rows(job))]
        return opened.about, key_doubts(signed)
