"""Do signatures hold, also those of purges, are reviews of real entries, and do imported jobs prove their origin?"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from capture.errors import CaptureError
from capture.record import admin, chain
from capture.record.check_content import PROVEN
from capture.record.check_notes import Notes
from capture.record.connection import LEDGER
from capture.record.decisions import decision_faults
from capture.record.ledger import COLUMNS, Record
from capture.record.provenance import job_faults
from capture.record.rows import Fault, Row
from capture.record.signatures import Signed, hash_at, job_signatures, purge_holds
from capture.record.spread import Spread

_MISSHAPEN = (CaptureError, ValueError, KeyError, TypeError, AttributeError)
_DOUBT = "do not rely on it; ask the person named and compare with a copy of the record"
_READ = frozenset({*PROVEN, admin.KEY})
"""Kinds of rows whose bodies a proof reads."""

MOST = 10_000
"""Signatures that are handed out; the first of each key and those in doubt come besides."""

_PAGE = 32
"""Jobs that are proven at a time."""

_JOBS = f"SELECT job FROM ledger WHERE kind IN ({', '.join('?' * len(PROVEN))}) GROUP BY job ORDER BY min(seq)"
_ALTERED = (
    "SELECT DISTINCT job FROM ledger WHERE instr(body, '\"review\":') AND json_type(body, '$.review') IS NOT NULL "
    f"AND job NOT IN (SELECT job FROM ledger WHERE kind IN ({', '.join('?' * len(PROVEN))}))"
)
_ASTRAY = (
    "SELECT seq, id FROM ledger WHERE instr(body, '\"origin\":') AND json_type(body, '$.origin') IS NOT NULL "
    "AND job NOT IN (SELECT job FROM ledger WHERE kind = ?)"
)


@dataclass(frozen=True)
class Proofs:
    """What was found: faults, notices, how many signatures, and the first ``MOST`` of them with all that do not hold or
    after which something came."""

    faults: tuple[Fault, ...] = ()
    notices: tuple[Fault, ...] = ()
    signatures: tuple[Signed, ...] = ()
    signed: int = 0


def check_proofs(
    folder: Path,
    notes: Notes | None = None,
    progress: Callable[[int], None] | None = None,
    spread: Spread | None = None,
) -> Proofs:
    """Check every job of a record that was signed, reviewed, purged or imported.

    Args:
        folder: the record's folder.
        notes: what was noted at walking along the rows; without it the ledger is searched.
        progress: told how many jobs are done.
        spread: does some jobs at a time.
    """
    try:
        with Record.open(folder, writing=False) as record:
            jobs, astray = _to_follow(record, notes)
        return _followed(folder, jobs, astray, progress or (lambda done: None), spread or Spread())
    except _MISSHAPEN as error:
        return Proofs((Fault(LEDGER, f"signatures and imports cannot be checked ({error})", _DOUBT),))


def _to_follow(record: Record, notes: Notes | None) -> tuple[list[str], list[tuple[int, str]]]:
    """The jobs whose proofs are followed, and (number, id) of rows that say without ground that they were imported."""
    if notes is not None:
        return list(notes.jobs_to_prove()), notes.gone_astray()
    jobs = [*record._fetch(_JOBS, PROVEN), *record._fetch(_ALTERED, PROVEN)]
    astray = record._fetch(_ASTRAY, (admin.IMPORTED,))
    return [str(job) for (job,) in jobs], [(int(seq), str(id_)) for seq, id_ in astray]


def _followed(
    folder: Path,
    jobs: list[str],
    astray: list[tuple[int, str]],
    progress: Callable[[int], None],
    spread: Spread,
) -> Proofs:
    gathered = _Gathered()
    gathered.faults += [
        Fault(f"row {seq} (id {id_})", "it says that it was imported, but its job was not", _DOUBT)
        for seq, id_ in astray
    ]
    pages = ((folder, jobs[first : first + _PAGE]) for first in range(0, len(jobs), _PAGE))
    done = 0
    for (_, page), proven in spread.over(_prove, pages):
        for found, faults in proven:
            gathered.take(found, faults)
        done += len(page)
        progress(done)
    return gathered.proofs()


def _prove(page: tuple[Path, list[str]]) -> list[tuple[tuple[Signed, ...], list[Fault]]]:
    """The signatures and faults of some jobs of the record in a folder."""
    folder, jobs = page
    with Record.open(folder, writing=False) as record:
        return [_of_job(record, job) for job in jobs]


class _Gathered:
    """What the jobs gave, with no more of each than can be read."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []
        self._notices: list[Fault] = []
        self._signatures: list[Signed] = []
        self._signed = 0
        self._keys: dict[str, dict[str, Signed]] = {}

    def take(self, found: Iterable[Signed], faults: Iterable[Fault]) -> None:
        """The signatures and faults of one job."""
        self.faults += faults
        for one in found:
            self._signed += 1
            keys = self._keys.setdefault(" ".join(one.person.casefold().split()), {})
            if len(self._signatures) < MOST or one.key not in keys or not one.holds or one.after:
                self._signatures.append(one)
            keys.setdefault(one.key, one)
            if one.after:
                self._notices.append(_changed(one))

    def proofs(self) -> Proofs:
        """Everything."""
        notices = (*self._notices, *_several_keys(self._keys.values()))
        return Proofs(tuple(self.faults), notices, tuple(self._signatures), self._signed)


def _several_keys(persons: Iterable[dict[str, Signed]]) -> list[Fault]:
    """Persons who signed with more than one key: a new key, or somebody else who took the name."""
    return [
        Fault(
            f"signatures of {next(iter(first.values())).person}",
            f"made with {len(first)} keys ({', '.join(key[:16] for key in first)})",
            "ask the person which of these keys are really theirs",
        )
        for first in persons
        if len(first) > 1
    ]


def _of_job(record: Record, job: str) -> tuple[tuple[Signed, ...], list[Fault]]:
    try:
        rows = _rows(record, job)
        found = job_signatures(rows, lambda seq: hash_at(record, seq))
        faults = [fault for one in found for fault in _signature_faults(one)]
        return found, faults + _purge_faults(rows) + decision_faults(rows) + job_faults(rows, record.read_media)
    except _MISSHAPEN as error:
        return (), [Fault(f"job {job}", f"its proofs cannot be read ({error!r})", _DOUBT)]


def _rows(record: Record, job: str) -> list[Row]:
    """A job's rows; bodies in which nothing can be that a proof asks for are not read and stand empty.

    That is so for other kinds than ``PROVEN`` and keys, when the body has neither an origin nor a review: canonical
    text, and whether it is that is seen at walking along the rows, has these names as they are.
    """
    found = record._fetch(f"SELECT {COLUMNS} FROM ledger WHERE job = ? ORDER BY seq", (job,))
    return [
        Row(seq, id_, job, kind, at, mono, session, chain.load(body) if _may_matter(kind, body) else {}, prev, hash_)
        for seq, id_, job, kind, at, mono, session, body, prev, hash_ in found
    ]


def _may_matter(kind: str, body: str) -> bool:
    return kind in _READ or '"origin":' in body or '"review":' in body


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
