"""``benchwitness purge``: remove old sound on purpose, and say so in the record."""

from __future__ import annotations

import json
from pathlib import Path

import click

from capture.commands.keeping import json_option, key_options, record_option


@click.command()
@click.option(
    "--audio-older-than",
    "days",
    required=True,
    type=click.IntRange(min=1),
    metavar="DAYS",
    help="Sound none of whose rows is younger than so many days.",
)
@click.option("--person", default="", metavar="NAME", help="Who decides it.")
@click.option("--yes", is_flag=True, help="Really remove; without it the command only says what it would remove.")
@click.option("--sign", is_flag=True, help="Sign the rows that say so with the person's key.")
@key_options
@record_option
@json_option
def command(
    days: int,
    person: str,
    yes: bool,
    sign: bool,
    key: Path | None,
    passphrase_file: Path | None,
    record: Path | None,
    as_json: bool,
) -> int:
    """Remove sound older than a rule; what was heard, and the files' hashes, stay.

    Nothing is removed without --yes. Removed sound cannot be heard again by anybody who reviews the job; keep what law,
    contract or an open question asks for. Copies in backups and bags are not touched.
    """
    from datetime import datetime

    from capture.commands.keeping import now, signer
    from capture.errors import UsageError
    from capture.record import Record
    from capture.record.place import record_folder
    from capture.record.retention import old_sound, purge

    if yes and not person.strip():
        raise UsageError("A purge is somebody's decision; give the person with --person.")
    folder = record_folder(record)
    with Record.open(folder, writing=yes) as opened:
        sounds = old_sound(opened, days, datetime.now().astimezone())
        files, size = sum(len(sound.files) for sound in sounds), sum(sound.size for sound in sounds)
        removed = 0
        if yes:
            who = signer(person, key, passphrase_file) if sign or key else None
            removed = purge(opened, sounds, days, person, now(), who)
        head = opened.head().hash
    if as_json:
        listed = [{"job": sound.job, "files": [ref.sha256 for ref, _ in sound.files]} for sound in sounds]
        facts = {"record": str(folder), "bytes": size, "removed": removed, "jobs": listed, "head": head}
        click.echo(json.dumps(facts, ensure_ascii=False, indent=2))
        return 0
    for sound in sounds:
        click.echo(f"job {sound.job}: {len(sound.files)} sound files, {sound.size} bytes")
    if yes:
        click.echo(f"{removed} files removed; the rows that say so are in the record. head  {head}")
    else:
        click.echo(f"{files} files, {size} bytes would be removed; nothing was. Add --yes and --person to remove them.")
    return 0
