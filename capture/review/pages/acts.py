"""What a reviewer does to a job, each as new rows of its ledger: decide, take back, reopen, sign."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from capture.bench.resume import Resumable
from capture.errors import UsageError
from capture.judge.view import decisions
from capture.record import admin
from capture.record.decisions import REVIEWED, decision_body, review_of
from capture.record.signing import Moment
from capture.review.pages.act import (
    Act,
    New,
    append,
    check_may,
    check_open,
    now,
    picture_of,
    reason_of,
    review_facts,
    reviewing_role,
    row_of,
)

if TYPE_CHECKING:
    from capture.record import Row


def decide(act: Act, entry: str, decision: str, comment: str) -> None:
    """Write a decision on an entry; a picture's goes with that of the reading that was taken from it.

    Raises:
        UsageError: it cannot be decided, or not by this person.
    """
    found = act.load()
    check_may(act.who, found, comment_only=decision == "commented")
    about = row_of(found, entry)
    check_open(found, about, decision)
    rows = [about, *_companions(found, about)] if decision != "commented" else [about]
    bodies = [decision_body(row, decision, comment, act.who.person, act.who.role) for row in rows]
    append(act, [(REVIEWED, body, ()) for body in bodies])


def take_back(act: Act, entry: str) -> None:
    """Undo what a reviewer last did to an entry: a decision, or a value that was put in another's place.

    Raises:
        UsageError: there is nothing to be undone, or this person may not.
    """
    found = act.load()
    about = row_of(found, entry)
    if entry in decisions(found.recorded):
        decide(act, entry, "taken_back", "")
        return
    check_may(act.who, found)
    check_open(found, about, "taken back")
    if review_of(about) is None:
        raise UsageError("Nothing was decided on this entry yet, so there is nothing to take back.")
    append(act, [_restored(act, found, row) for row in (about, *_written_with(found, about))])


def _restored(act: Act, found: Resumable, row: Row) -> New:
    """The entry before ``row``, once more, in the place of ``row``."""
    before = row_of(found, str(row.body.get("replaces")))
    content = {name: value for name, value in before.body.items() if name not in {"media", "review"}}
    review = {**review_facts(act, "the change was taken back", row), "restores": before.id}
    return before.kind, {**content, "replaces": row.id, "review": review}, before.media


def _written_with(found: Resumable, about: Row) -> list[Row]:
    """What was written together with an entry: the picture of a measured reading."""
    return [
        row for row in found.rows
        if row.id != about.id and review_of(row) is not None and row.media and row.media == about.media
        and row.at == about.at
    ]  # fmt: skip


def _companions(found: Resumable, about: Row) -> list[Row]:
    """The picture of a photographed reading: they are decided on together."""
    photo, reading = picture_of(found, about)
    return [photo] if reading is not None and reading.id == about.id and photo.id != about.id else []


def reopen(act: Act, reason: str) -> None:
    """Open a finished job again, so that it can be taken up at the bench.

    Raises:
        UsageError: it is not finished, no reason is given, or this person may not.
    """
    found = act.load()
    check_may(act.who, found)
    if not found.finished:
        raise UsageError("This job is not finished; it can be taken up at the bench as it is.")
    data = {"reviewer": act.who.person, "reason": reason_of(reason)}
    append(act, [("reopened", admin.body("reopened", None, data), ())])


def sign(act: Act, role: str, passphrase: str, keys: Path) -> None:
    """Sign the job with the person's own key.

    Raises:
        UsageError: there is no key, the passphrase is wrong, or the procedure wants somebody else in this role.
    """
    from capture.record.keys import find_key, load_private
    from capture.record.signing import Signer, sign_job

    found = act.load()
    if not act.who.person:
        raise UsageError("Nobody is named as the signer; write your name at the top of the page.")
    if act.who.role == "reader":
        raise UsageError("A reader cannot sign; log in as a technician or a reviewer.")
    key = find_key(keys, act.who.person)
    signer = Signer(key.person, load_private(key.private, passphrase))
    if reviewing_role(found.procedure) == role:
        check_may(act.who, found)
    sign_job(act.record, act.job, role, signer, found.procedure, Moment(now(), act.session))
