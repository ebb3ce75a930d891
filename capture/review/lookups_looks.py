"""Which entries of a job need a reviewer's look, and what reviewers decided, for the look-up index."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from capture.judge import Recorded, entry_from_body
from capture.judge.entry import Moment
from capture.judge.view import returned as returned_of
from capture.record import chain
from capture.record.decisions import REVIEWED
from capture.record.times import parse_time
from capture.review.lookups_schema import STANDING

_LOST = frozenset({"refused", "not_understood"})
_LOOKED_AT = _LOST | {"identity", "instrument", "reading", "turn", "check", "part", "photo", "note", "sign_off"}
_SIGNS = ('"status":"unconfirmed"', '"severity":"stop"', '"severity":"warning"', '"doubts":["',
          '"outcome":"fail"', '"outcome":"undecided"')  # fmt: skip
_GRAVE = frozenset({"stop", "warning"})


def may_need_look(kind: str, body: str) -> bool:
    """A quick look at a row's text: False when ``needs_look`` cannot be true."""
    return kind in _LOOKED_AT and (kind in _LOST or any(sign in body for sign in _SIGNS))


def needs_look(kind: str, body: Mapping[str, Any]) -> bool:
    """Whether an entry needs a look more than others: not confirmed, not within limits, warned of, heard two ways, or
    said and not taken."""
    if kind in _LOST:
        return bool(body.get("words"))
    heard, verdict = body.get("heard") or {}, body.get("verdict") or {}
    return (
        body.get("status") == "unconfirmed"
        or verdict.get("outcome") in {"fail", "undecided"}
        or any(warning.get("severity") in _GRAVE for warning in body.get("warnings") or ())
        or bool(heard.get("doubts"))
    )


@dataclass(frozen=True)
class Deciding:
    """A reviewer's decision, row ``seq``, on the entry with the id ``about``."""

    seq: int
    job: str
    about: str
    decision: str

    def apply(self, index: sqlite3.Connection, ledger: sqlite3.Connection) -> None:
        """Mark the entry in the index; a decision on what was replaced or is not there changes nothing."""
        if self.decision == "commented":
            return
        found = ledger.execute("SELECT seq, job, kind, body FROM ledger WHERE id = ?", (self.about,)).fetchone()
        if found is None or found[1] != self.job or self._too_late(ledger):
            return
        seq, job, kind, text = found
        body = chain.load(text)
        status = str(body.get("status"))
        taken, rejected = self.decision == "accepted", self.decision == "rejected"
        index.execute("DELETE FROM decision WHERE seq = ?", (seq,))
        if self.decision != "taken_back":
            index.execute("INSERT INTO decision VALUES (?, ?, ?)", (seq, job, self.decision))
        for table in ("waiting", "look"):
            index.execute(f"DELETE FROM {table} WHERE seq = ?", (seq,))
        if self.decision == "taken_back" and needs_look(kind, body):
            index.execute("INSERT INTO look VALUES (?, ?)", (seq, job))
        if status == "unconfirmed" and not taken and not rejected:
            index.execute("INSERT INTO waiting VALUES (?, ?)", (seq, job))
        gone = int(rejected or status == "not_accepted")
        for table in STANDING:
            index.execute(f"UPDATE {table} SET gone = ? WHERE seq = ?", (gone, seq))
        if status != "not_accepted":
            status = {"accepted": "accepted", "queried": "unconfirmed"}.get(self.decision, status)
        for table in ("part", "reading"):
            index.execute(f"UPDATE {table} SET status = ? WHERE seq = ?", (status, seq))

    def _too_late(self, ledger: sqlite3.Connection) -> bool:
        """Whether another entry had taken the place of this one before the decision."""
        sql = "SELECT 1 FROM ledger WHERE json_extract(body, '$.replaces') = ? AND seq < ? LIMIT 1"
        return ledger.execute(sql, (self.about, self.seq)).fetchone() is not None


def returned(index: sqlite3.Connection, ledger: sqlite3.Connection, job: str) -> tuple[int, int]:
    """How many of a job's entries were queried, and how many rejected, and not taken anew or confirmed since."""
    open_ = "SELECT 1 FROM decision WHERE job = ? AND decision <> 'accepted' LIMIT 1"
    if index.execute(open_, (job,)).fetchone() is None:
        return 0, 0
    rows = ledger.execute("SELECT id, at, mono, session, kind, body FROM ledger WHERE job = ? ORDER BY seq", (job,))
    recorded = [
        Recorded(id_, entry_from_body(chain.load(body)), Moment(parse_time(at), mono, session))
        for id_, at, mono, session, kind, body in rows
        if kind in _LOOKED_AT or kind in {REVIEWED, "withdrawn"}
    ]
    held = returned_of(recorded)
    queried = sum(one.queried for one in held)
    return queried, len(held) - queried
