"""What a reviewer's acts share: who acts on which job, whether they may, and how rows are written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeAlias

from capture.bench.resume import Resumable, load_job
from capture.errors import UsageError
from capture.record.bulk import Draft, append_all
from capture.record.keys import same_person
from capture.record.times import format_time
from capture.review.pages.who import Who

if TYPE_CHECKING:
    from capture.procedure.model import Procedure
    from capture.record import MediaRef, Record, Row

_WORKED = frozenset({"opened", "resumed", "reopened", "handed_over"})
_LONGEST_REASON = 300

New: TypeAlias = "tuple[str, Mapping[str, Any], Sequence[MediaRef]]"
"""A row to be written: kind, body, media."""


@dataclass(frozen=True)
class Act:
    """Who acts on which job of which record. ``session`` is the id under which the rows are written."""

    record: Record
    job: str
    who: Who
    session: str

    def load(self) -> Resumable:
        """The job as it stands.

        Raises:
            UsageError: there is no such job.
        """
        return load_job(self.record, self.job)


def check_may(who: Who, found: Resumable, *, comment_only: bool = False) -> None:
    """Whether this person may decide on this job.

    Raises:
        UsageError: nobody is named, the role does not allow it, or the procedure wants another person.
    """
    if not who.person:
        raise UsageError("Nobody is named as the reviewer; write your name at the top of the page.")
    if who.role == "reader" or (who.role == "technician" and not comment_only):
        raise UsageError(f"A {who.role} cannot decide on entries; log in as a reviewer.")
    if comment_only or reviewing_role(found.procedure) is None:
        return
    if any(same_person(who.person, worked) for worked in technicians(found.rows)):
        raise UsageError(
            f"{who.person} worked on this job, and its procedure asks for different persons; let somebody else review."
        )


def reviewing_role(procedure: Procedure) -> str | None:
    """The procedure's role that must be held by somebody else than the technician; None when it asks for none."""
    return next((role.id for role in procedure.roles if "technician" in role.differs_from), None)


def technicians(rows: Sequence[Row]) -> list[str]:
    """Everybody who worked on a job, in order."""
    names = [str((row.body.get("data") or {}).get("technician") or "") for row in rows if row.kind in _WORKED]
    return list(dict.fromkeys(name for name in names if name))


def row_of(found: Resumable, entry: str) -> Row:
    """The row of an entry.

    Raises:
        UsageError: the job has none with this id.
    """
    row = next((row for row in found.rows if row.id == entry), None)
    if row is None:
        raise UsageError("This job has no such entry; load the page again.")
    return row


def check_open(found: Resumable, about: Row, decision: str) -> None:
    """Refuse what another entry has taken the place of.

    Raises:
        UsageError: one has.
    """
    if decision != "commented" and any(row.body.get("replaces") == about.id for row in found.rows):
        raise UsageError(
            "Another entry has taken the place of this one since; load the page again and look at that one."
        )


def picture_of(found: Resumable, about: Row) -> tuple[Row, Row | None]:
    """An entry's photo row, and the row of the reading that was taken from it."""
    if about.kind == "reading" and about.body["data"].get("via") == "photo":
        before = [row for row in found.rows if row.seq < about.seq and row.kind == "photo" and row.media == about.media]
        return (before[-1], about) if before else (about, about)
    if about.kind == "photo":
        after = [
            row for row in found.rows
            if row.seq > about.seq and row.kind == "reading" and row.media and row.media == about.media
        ]  # fmt: skip
        replaced = {row.body.get("replaces") for row in found.rows}
        live = [row for row in after if row.id not in replaced]
        return about, live[0] if live else None
    return about, None


def review_facts(act: Act, why: str, about: Row) -> dict[str, Any]:
    """What the body of an entry that is written in review says of that, see ``capture.record.decisions``."""
    earlier = about.body.get("review")
    taken = earlier.get("taken_at") if isinstance(earlier, Mapping) else None
    return {"person": act.who.person, "role": act.who.role, "reason": why, "taken_at": taken or about.at}


def reason_of(text: str) -> str:
    """A reason on one line.

    Raises:
        UsageError: it is empty or too long.
    """
    cleaned = " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())
    if not cleaned:
        raise UsageError("The reason is missing; say why in a few words.")
    if len(cleaned) > _LONGEST_REASON:
        raise UsageError(f"The reason is longer than {_LONGEST_REASON} characters; shorten it.")
    return cleaned


def append(act: Act, rows: Sequence[New]) -> None:
    """Write rows, all or none."""
    at = now()
    append_all(act.record, [Draft(act.job, kind, body, at, 0.0, act.session, refs) for kind, body, refs in rows])


def now() -> str:
    """The present moment, RFC 3339."""
    return format_time(datetime.now().astimezone())
