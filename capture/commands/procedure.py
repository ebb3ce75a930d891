"""``benchwitness procedure``: list, check and explain procedure files."""

from __future__ import annotations

import json

import click


@click.group()
def command() -> None:
    """List, check and explain procedure files: what a kind of job must contain."""


@command.command("list")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def list_(as_json: bool) -> int:
    """List the procedures that come with the program."""
    from capture.procedure import load_procedure, shipped

    known = [load_procedure(path) for path in shipped().values()]
    if as_json:
        rows = [{"id": p.id, "name": p.name, "version": p.version, "digest": p.digest} for p in known]
        click.echo(json.dumps(rows, ensure_ascii=False, indent=2))
    else:
        width = max(len(p.id) for p in known)
        click.echo("\n".join(f"{p.id:{width}}  {p.version:6}  {p.name}" for p in known))
    return 0


@command.command()
@click.argument("file")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def check(file: str, as_json: bool) -> int:
    """Check the procedure FILE and name every fault with its line. Leaves with 2 when there is any."""
    from capture.bench.pronounceable import check_pronounceable
    from capture.errors import ProcedureError
    from capture.procedure import find, load_procedure
    from capture.speech import NoPronunciation

    try:
        procedure = load_procedure(find(file))
        try:
            check_pronounceable(procedure)
        except NoPronunciation as unknown:
            raise ProcedureError(file, [str(unknown)]) from None
    except ProcedureError as error:
        if not as_json:
            raise
        click.echo(json.dumps({"file": file, "ok": False, "faults": error.faults}, ensure_ascii=False, indent=2))
        return error.exit_code
    counts = {
        "stages": len(procedure.stages),
        "readings": len(procedure.readings),
        "counters": len(procedure.counters),
        "checks": len(procedure.checks),
        "parts": len(procedure.parts),
        "photos": len(procedure.photos),
    }
    if as_json:
        found = {"file": file, "ok": True, "id": procedure.id, "digest": procedure.digest, **counts, "faults": []}
        click.echo(json.dumps(found, ensure_ascii=False, indent=2))
    else:
        listed = ", ".join(f"{count} {name if count != 1 else name[:-1]}" for name, count in counts.items())
        click.echo(f"{file}: no faults. {procedure.name}, version {procedure.version}: {listed}.")
        click.echo(f"SHA-256 {procedure.digest}")
    return 0


@command.command()
@click.argument("name")
@click.option("--json", "as_json", is_flag=True, help="Print the bare vocabulary as JSON.")
def words(name: str, as_json: bool) -> int:
    """Print what can be said in the procedure NAME (a shipped one's id, or a file), as Markdown."""
    from capture.phrases import reference, vocabulary
    from capture.procedure import find, load_procedure

    procedure = load_procedure(find(name))
    click.echo(json.dumps(sorted(vocabulary(procedure)), indent=2) if as_json else reference(procedure))
    return 0
