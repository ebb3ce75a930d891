"""A reviewer's decisions on a job's entries, as rows of kind "reviewed", and what a verification asks of them.

A decision's data are about (the entry's id), decision, comment, person, role (of the page: "reviewer" or
"technician"), and of what kind the entry is (kind). The last decision on an entry counts; "taken_back" leaves it
undecided, "commented" decides nothing. The entry itself is never changed.

An entry that a reviewer wrote in the place of another one has, beside what every entry has, a ``review`` in its body:
person, role, reason, and taken_at, the time of the entry that it stands in for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from capture.errors import UsageError
from capture.record import admin
from capture.record.rows import Fault, Row

REVIEWED = "reviewed"
DECISIONS = ("accepted", "queried", "rejected", "commented", "taken_back")
WITH_REASON = frozenset({"queried", "rejected", "commented"})
"""Decisions that say nothing without words."""

CHANGING = frozenset({"queried", "rejected", "taken_back"})
"""Decisions after which a signed job is not what was signed any more."""

LONGEST_COMMENT = 500

_UNREVIEWABLE = admin.KINDS | {
    REVIEWED, "opened", "source", "paused", "resumed", "reopened", "handed_over", "stage_end", "job_end", "withdrawn",
}  # fmt: skip
_DOUBT = "do not rely on it; compare with a copy of the record"


def decision_body(about: Row, decision: str, comment: str, person: str, role: str) -> dict[str, Any]:
    """The body of a decision on the entry ``about``.

    Raises:
        UsageError: no such decision, nobody who decides, no reason where one is needed, or nothing that can be
            decided on.
    """
    comment = _one_line(comment)
    if decision not in DECISIONS:
        raise UsageError(f"There is no decision {decision!r}; there are: {', '.join(DECISIONS)}.")
    if not person:
        raise UsageError("Nobody is named as the reviewer; write your name at the top of the page.")
    if decision in WITH_REASON and not comment:
        raise UsageError("Say why, so that whoever reads it knows what to do.")
    if len(comment) > LONGEST_COMMENT:
        raise UsageError(f"The comment is longer than {LONGEST_COMMENT} characters; shorten it.")
    if about.kind in _UNREVIEWABLE:
        raise UsageError("Nothing can be decided on this row; decide on what was said or photographed.")
    facts = {"about": about.id, "decision": decision, "comment": comment, "person": person, "role": role}
    body = admin.body(REVIEWED, about.body.get("subject"), {**facts, "kind": about.kind})
    return {**body, "stage": about.body.get("stage")}


def review_of(row: Row) -> Mapping[str, Any] | None:
    """Who wrote this entry in review, why, and when what it stands in for was taken; None for any other row."""
    found = row.body.get("review")
    return found if isinstance(found, Mapping) else None


def changes(row: Row) -> bool:
    """Whether a row of kind "reviewed" changes what stands; True for any other kind."""
    data = row.body.get("data")
    return row.kind != REVIEWED or not isinstance(data, Mapping) or data.get("decision") in CHANGING


def decision_faults(rows: Sequence[Row]) -> list[Fault]:
    """What is wrong with a job's decisions and with the entries that were written in review."""
    faults: list[Fault] = []
    before: dict[str, Row] = {}
    for row in rows:
        found = _decision_faults(row, before) if row.kind == REVIEWED else _review_faults(row, before)
        faults += [Fault(f"row {row.seq} (id {row.id})", what, _DOUBT) for what in found]
        before[row.id] = row
    return faults


def _decision_faults(row: Row, before: Mapping[str, Row]) -> list[str]:
    data = row.body.get("data")
    if not isinstance(data, Mapping):
        return ["a review without data"]
    about = before.get(str(data.get("about")))
    faults = []
    if about is None:
        faults.append("a review of an entry that does not come before it in the same job")
    elif about.kind in _UNREVIEWABLE or data.get("kind") != about.kind:
        faults.append("a review of something that cannot be reviewed")
    if data.get("decision") not in DECISIONS:
        faults.append(f"a review with the unknown decision {data.get('decision')!r}")
    if not data.get("person"):
        faults.append("a review by nobody")
    if data.get("decision") in WITH_REASON and not data.get("comment"):
        faults.append("a review without its reason")
    return faults


def _review_faults(row: Row, before: Mapping[str, Row]) -> list[str]:
    if "review" not in row.body:
        return []
    review = review_of(row)
    if review is None or not review.get("person") or not review.get("reason"):
        return ["written in review, but not by whom or why"]
    if row.body.get("replaces") not in before:
        return ["written in review in the place of an entry that does not come before it in the same job"]
    return []


def _one_line(text: str) -> str:
    return " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())
