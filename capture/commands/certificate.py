"""``benchwitness certificate``: what the owner of a unit is given, as PDF or HTML."""

from __future__ import annotations

import json
from pathlib import Path

import click

from capture.commands.keeping import json_option, record_option


@click.command()
@click.argument("job")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="FILE",
    help="The file to write, .pdf or .html; may be given more than once. Else certificate-JOB.pdf here.",
)
@record_option
@json_option
def command(job: str, out: tuple[Path, ...], record: Path | None, as_json: bool) -> int:
    """Write the owner's certificate of JOB, its id or the beginning or end of it.

    The whole record is verified first, and what that said stands on the sheet. A job that is not finished, has anything
    open or not put right, or is not signed in every role with keys that are trusted here gets no certificate: the
    sheet is then marked "not released", says why, and this leaves with 1. Nothing is overwritten.
    """
    from capture.commands.keeping import now
    from capture.commands.progress import on_terminal
    from capture.errors import UsageError
    from capture.record import Record, verify
    from capture.record.keys import keys_folder
    from capture.record.place import record_folder
    from capture.record.spread import processors
    from capture.record.trouble import told_plainly
    from capture.record.trust import trusted
    from capture.review.certificate import Checked, certify
    from capture.review.certificate_file import written
    from capture.review.job_ids import find_job

    folder = record_folder(record)
    trust = trusted(keys_folder())
    with Record.open(folder, writing=False) as opened:
        whole = find_job(opened, job)
    targets = out or (Path(f"certificate-{whole}.pdf"),)
    for target in targets:
        if target.suffix.lower() not in (".pdf", ".html"):
            raise UsageError(
                f"{target}: a certificate is written as PDF or HTML; name a file that ends in one of them."
            )
        if target.exists():
            raise UsageError(f"{target}: there is a file already, and nothing is overwritten; name another one.")
    with on_terminal("verifying") as progress:
        found = verify(folder, progress=progress, processes=processors())
    at = now().at
    with Record.open(folder, writing=False) as opened:
        sheet = certify(opened, whole, Checked.of(found, at), trust, at)
    for target in targets:
        with told_plainly(target), target.open("xb") as stream:
            stream.write(written(sheet, target.suffix.lower()))
    if as_json:
        facts = {"job": whole, "released": sheet.released, "reasons": sheet.reasons, "files": [str(x) for x in targets]}
        click.echo(json.dumps({**facts, "head": found.head.hash}, ensure_ascii=False, indent=2))
    else:
        for target in targets:
            click.echo(f"{'certificate' if sheet.released else 'not released'}  {target}")
        click.echo(f"head  {found.head.hash}")
    for reason in sheet.reasons:
        click.echo(f"not released: {reason}", err=True)
    return 0 if sheet.released else 1
