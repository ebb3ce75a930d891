"""``benchwitness sign``: sign a job in a role, or show who signed."""

from __future__ import annotations

import json
from pathlib import Path

import click

from capture.commands.keeping import json_option, key_options, record_option


@click.command()
@click.argument("job")
@click.option("--role", metavar="ROLE", help="The role to sign in, one of the procedure's.")
@click.option("--person", metavar="NAME", help="Who signs.")
@click.option("--show", is_flag=True, help="Sign nothing; show who signed and whether it holds.")
@key_options
@record_option
@json_option
def command(
    job: str,
    role: str | None,
    person: str | None,
    show: bool,
    key: Path | None,
    passphrase_file: Path | None,
    record: Path | None,
    as_json: bool,
) -> int:
    """Sign JOB as it stands, in a role of its procedure; JOB is its id, or the beginning or end of it.

    The signature covers the job's rows and the head of the whole record. Entries that come later are allowed, but the
    signature then says "changed since signed". Signing confirms a look at the record; it does not replace the maker's
    manual, local rules or a qualified person. Leaves with 1 when the job is not finished or has entries that are
    missing or unconfirmed, or with --show when a key is not trusted here (see 'key trust'), and with 3 when a signature
    of the job does not hold.
    """
    from capture.commands.keeping import key_doubts, now, signer
    from capture.errors import UsageError
    from capture.record import Record
    from capture.record.admin import job_rows
    from capture.record.place import record_folder
    from capture.record.signatures import hash_at, job_signatures
    from capture.record.signing import open_points, procedure_of, sign_job
    from capture.review.job_ids import find_job

    if not show and (role is None or person is None):
        raise UsageError("Signing needs a role and a person; give --role and --person, or --show to see who signed.")
    with Record.open(record_folder(record), writing=not show) as opened:
        whole = find_job(opened, job)
        if not show and role is not None and person is not None:
            procedure = procedure_of(opened, job_rows(opened, whole))
            sign_job(opened, whole, role, signer(person, key, passphrase_file), procedure, now())
        head, rows = opened.head(), job_rows(opened, whole)
        found = job_signatures(rows, lambda seq: hash_at(opened, seq))
    if as_json:
        listed = [{**one.__dict__, "holds": one.holds} for one in found]
        click.echo(json.dumps({"job": whole, "head": head.hash, "signatures": listed}, ensure_ascii=False, indent=2))
    else:
        for one in found:
            click.echo(str(one))
        click.echo(f"head  {head.hash}" if found else f"job {whole}: not signed")
    unsettled = open_points(rows) + (key_doubts(found) if show else [])
    for sentence in unsettled:
        click.echo(sentence, err=True)
    if not all(one.holds for one in found):
        return 3
    return 1 if unsettled else 0
