"""Proofs read no more bodies than they need; what they leave out can have no part in them."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from datetime import timedelta
from importlib import import_module
from pathlib import Path

import pytest

from capture.record import Record, connection
from capture.record.bag import export_bag
from capture.record.bag_import import import_bag
from capture.record.check_proofs import Proofs, check_proofs
from capture.record.decisions import decision_body
from capture.record.retention import old_sound, purge
from capture.record.signing import Signer, sign_job
from tests.keeping.world import LEVER, START, moment, usual_job

PROVING = import_module("capture.record.check_proofs")
AT = "2031-06-01T12:00:00.000+02:00"


@pytest.fixture
def folder(record: Record, tmp_path: Path, signer: Callable[[str], Signer]) -> Path:
    """A record with a job that was reviewed, signed, purged and imported, and one that was written in review."""
    job, ben = usual_job(record), signer("Ben Carr")
    reading = next(row for row in job.rows if row.kind == "reading")
    job.append("reviewed", decision_body(reading, "rejected", "not audible", "Ben Carr", "reviewer"))
    sign_job(record, job.id, "reviewer", ben, LEVER, moment(1))
    purge(record, old_sound(record, 1, START + timedelta(days=400)), 1, "Ben Carr", moment(400), ben)
    job.entry("note", None, {"text": "after the signature"})
    export_bag(record, [job.id], tmp_path / "bag", at=AT)
    with Record.create(tmp_path / "other") as other:
        import_bag(other, tmp_path / "bag", moment(2))
        sign_job(other, job.id, "technician", signer("Ada Brook"), LEVER, moment(3))
        changed = usual_job(other)
        old = next(row for row in changed.rows if row.kind == "reading")
        body = {**old.body, "replaces": old.id, "review": {"person": "Ben Carr", "role": "reviewer", "reason": "heard"}}
        changed.append("reading", {name: value for name, value in body.items() if name != "media"})
    return tmp_path / "other"


def _both(folder: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Proofs, Proofs]:
    """The proofs as they are checked, and with every body read."""
    with monkeypatch.context() as patched:
        patched.setattr(PROVING, "_may_matter", lambda kind, body: True)
        whole = check_proofs(folder)
    return check_proofs(folder), whole


def test_they_hold(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found, whole = _both(folder, monkeypatch)
    assert found == whole
    assert found.faults == ()
    assert found.signed == 2
    assert len(found.signatures[0].after) == 1


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"data":', '"date":'),
        ('"origin":', '"orgin":'),
        ('"kind":"reading"', '"kind":"key","origin":7'),
        ('{"advice"', '{"review":7,"advice"'),
        ('{"advice"', '{"origin":{"seq":1},"advice"'),
        ('"replaces":null', '"replaces":"x"'),
        ('"person":"Ben Carr"', '"person":"Ben Cart"'),
        ('"decision":"rejected"', '"decision":"accepted"'),
    ],
)
def test_a_change_in_any_body_is_found_as_with_every_body_read(
    folder: Path, monkeypatch: pytest.MonkeyPatch, old: str, new: str
) -> None:
    db = sqlite3.connect(folder / connection.LEDGER, isolation_level=None)
    db.execute("DROP TRIGGER ledger_no_update")
    bodies = db.execute("SELECT seq, body FROM ledger WHERE instr(body, ?)", (old,)).fetchall()
    assert bodies
    for seq, body in bodies:
        changed = re.sub(re.escape(old), new, body, count=1)
        db.execute("UPDATE ledger SET body = ? WHERE seq = ?", (changed, seq))
        found, whole = _both(folder, monkeypatch)
        assert found == whole, (seq, changed)
        db.execute("UPDATE ledger SET body = ? WHERE seq = ?", (body, seq))
    db.close()
