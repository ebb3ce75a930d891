"""Do signatures hold, also those of purges, are reviews of real entries, and do imported jobs prove their origin?"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from capture.errors import CaptureError
from capture.record import admin
from capture.record.connection import LEDGER
from capture.record.decisions import REVIEWED, decision_faults
from capture.record.ledger import Record
from capture.record.provenance import job_faults
from capture.record.rows import Fault, Row
from capture.record.signatures import Signed, hash_at, job_signatures, purge_holds

_MISSHAPEN = (CaptureError, ValueError, KeyError, TypeError, AttributeError)
_DOUBT = "do not rely on it; ask the person named and compare with a copy of the record"
_PROVEN = (admin.SIGNATURE, admin.PURGED, admin.IMPORTED, REVIEWED)
_JOBS = f"SELECT job FROM ledger WHERE kind IN ({', '.join('?' * len(_PROVEN))}) GROUP BY job ORDER BY min(seq)"
_ALTERED = (
    "SELECT DISTINCT job FROM ledger WHERE instr(body, '\"review\":') AND json_type(body, '$.review') IS NOT NULL "
    f"AND job NOT IN (SELECT job FROM ledger WHERE kind IN ({', '.join('?' * len(_PROVEN))}))"
)
_ASTRAY = (
    "SELECT seq, id FROM ledger WHERE instr(body, '\"origin\":') AND json_type(body, '$.origin') IS NOT NULL "
    "AND job NOT IN (SELECT job FROM ledger WHERE kind = ?)"
)


@dataclass(frozen=True)
class Proofs:
    """What was found: faults, notices, and every signature."""

    faults: tuple[Fault, ...] = ()
    notices: tuple[Fault, ...] = ()
    signatures: tuple[Signed, ...] = ()


def check_proofs(folder: Path) -> Proofs:
    """Check every job of a record that was signed, reviewed, purged or imported."""
    try:
        with Record.open(folder, writing=False) as record:
            return _of_record(record)
    except _MISSHAPEN as error:
        return Proofs((Fault(LEDGER, f"signatures and imports cannot be checked ({error})", _DOUBT),))


def _of_record(record: Record) -> Proofs:
    faults = [
        Fault(f"row {seq} (id {id_})", "it says that it was imported, but its job was not", _DOUBT)
        for seq, id_ in record._fetch(_ASTRAY, (admin.IMPORTED,))
    ]
    notices: list[Fault] = []
    signatures: list[Signed] = []
    for (job,) in [*record._fetch(_JOBS, _PROVEN), *record._fetch(_ALTERED, _PROVEN)]:
        try:
            found, wrong = _of_job(record, list(record.rows(job)))
        except _MISSHAPEN as error:
            found, wrong = (), [Fault(f"job {job}", f"its proofs cannot be read ({error!r})", _DOUBT)]
        signatures += found
        faults += wrong
        notices += [_changed(one) for one in found if one.after]
    return Proofs(tuple(faults), (*notices, *_several_keys(signatures)), tuple(signatures))


def _several_keys(signatures: list[Signed]) -> list[Fault]:
    """Persons who signed with more than one key: a new key, or somebody else who took the name."""
    keys: dict[str, dict[str, Signed]] = {}
    for one in signatures:
        keys.setdefault(" ".join(one.person.casefold().split()), {}).setdefault(one.key, one)
    return [
        Fault(
            f"signatures of {next(iter(first.values())).person}",
            f"made with {len(first)} keys ({', '.join(key[:16] for key in first)})",
            "ask the person which of these keys are really theirs",
        )
        for first in keys.values()
        if len(first) > 1
    ]


def _of_job(record: Record, rows: list[Row]) -> tuple[tuple[Signed, ...], list[Fault]]:
    found = job_signatures(rows, lambda seq: hash_at(record, seq))
    faults = [fault for one in found for fault in _signature_faults(one)]
    return found, faults + _purge_faults(rows) + decision_faults(rows) + job_faults(rows, record.read_media)


def _signature_faults(one: Signed) -> list[Fault]:
    where = f"row {one.row} (id {one.id})"
    return [Fault(where, f"the signature of {one.person} does not hold: {why}", _DOUBT) for why in one.faults]


def _purge_faults(rows: list[Row]) -> list[Fault]:
    return [
        Fault(f"row {row.seq} (id {row.id})", "the signature of this purge does not hold", _DOUBT)
        for row in rows
        if row.kind == admin.PURGED and purge_holds(rows, row) is False
    ]


def _changed(one: Signed) -> Fault:
    entries = "1 entry" if len(one.after) == 1 else f"{len(one.after)} entries"
    return Fault(
        f"job {one.job}",
        f"changed since signed by {one.person} as {one.role}: {entries} not covered by row {one.row}",
        "look at what came after and have it signed again",
    )
