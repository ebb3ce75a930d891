"""Runs a folder's job with the real recogniser, measurement and record, and shows what came of it."""

from __future__ import annotations

import json
import secrets
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from capture.bench.hearing import recogniser_of
from capture.bench.join import Outcome, run_plan
from capture.bench.measurer import SetupMeasurer
from capture.bench.plan import Overrides, load_plan
from capture.bench.telling import lines
from capture.judge import entry_to_body
from capture.procedure import find, load_procedure


@dataclass(frozen=True)
class Result:
    """A finished run: the outcome, where record and report lie, and the record's head."""

    outcome: Outcome
    record: Path
    report: Path
    head: str

    @property
    def warned(self) -> bool:
        """True when anything is to be looked at."""
        return bool(self.outcome.faults) or any(
            recorded.entry.warnings or recorded.entry.status != "accepted" for recorded in self.outcome.entries
        )


def run_folder(
    folder: Path, overrides: Overrides, place: Path | None, report: Path | None, *, quiet: bool = False
) -> Result:
    """Make the record and the report of the job in ``folder``.

    Args:
        folder: the job's folder.
        overrides: the command line's word.
        place: the record's folder, or None for the usual place.
        report: where the report goes, or None for a file beside the record.
        quiet: do not print entries as they are stored.
    """
    from capture.record import Record
    from capture.record.place import record_folder
    from capture.review.report import report_html

    plan = load_plan(folder, overrides)
    procedure = load_procedure(find(plan.procedure))
    measurer = SetupMeasurer(procedure, plan.setups)
    _progress("loading the recogniser")
    recogniser = recogniser_of(procedure, plan.model)
    target = record_folder(place)
    with Record.open(target) if (target / "ledger.sqlite").exists() else Record.create(target) as record:
        outcome = run_plan(
            plan,
            procedure,
            record,
            recogniser,
            measurer,
            _new_id(),
            _new_id(),
            _progress,
            lambda recorded: None if quiet else click.echo("\n".join(lines(recorded))),
        )
        page = report or target.parent / f"report-{outcome.job}.html"
        page.write_text(report_html(record, outcome.job), "utf-8")
        head = record.head().hash
    return Result(outcome, target, page, head)


def show(result: Result, as_json: bool) -> int:
    """Print what came of a run; returns the exit code, 0 or 1 when there are warnings."""
    code = 1 if result.warned else 0
    if as_json:
        click.echo(json.dumps(_as_json(result), indent=2, ensure_ascii=False))
        return code
    warnings = sum(len(recorded.entry.warnings) for recorded in result.outcome.entries)
    click.echo("")
    for fault in result.outcome.faults:
        click.echo(f"not usable: {fault}")
    click.echo(f"{len(result.outcome.entries)} entries, {warnings} warnings")
    click.echo(f"record  {result.record}")
    click.echo(f"report  {result.report}")
    click.echo(f"head    {result.head}")
    click.echo(f"check   benchwitness verify {result.record}")
    return code


def _as_json(result: Result) -> dict[str, Any]:
    return {
        "job": result.outcome.job,
        "record": str(result.record),
        "report": str(result.report),
        "head": result.head,
        "faults": list(result.outcome.faults),
        "entries": [
            {
                "id": recorded.id,
                "at": recorded.moment.at.isoformat(),
                **entry_to_body(recorded.entry),
            }
            for recorded in result.outcome.entries
        ],
    }


def _new_id() -> str:
    from capture.record.uuid7 import uuid7

    return str(uuid7(time.time_ns() // 1_000_000, secrets.token_bytes(10)))


def _progress(text: str) -> None:
    click.echo(f"... {text}", err=True)
