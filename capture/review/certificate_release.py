"""Why a job is not released: anything open in it, in its signatures, or in the record that it lies in."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from capture.errors import CaptureError
from capture.record.signing import check_role
from capture.review import wording as w
from capture.review.badges import BAD
from capture.review.describe import mapping
from capture.review.names import Names
from capture.review.story import Story, decision_of
from capture.review.tables import kit_lines
from capture.review.tally import put_right

if TYPE_CHECKING:
    from capture.record import Row
    from capture.record.signatures import Signed
    from capture.record.trust import Trust
    from capture.review.certificate import Checked


def release_reasons(
    rows: Sequence[Row], story: Story, names: Names, signed: Sequence[Signed], checked: Checked, trust: Trust
) -> tuple[str, ...]:
    """One sentence each; none when the job may be called released.

    A job is released when the whole record proves itself, the unit and the procedure are on record, the job is ended
    with nothing objected to that was not put right, the kit is accounted for, and every role of the procedure was
    signed, with a key that is trusted here and by the persons that the procedure asks for, over all entries.

    A reviewer who accepts an entry says that it is to be believed. That settles a warning about it, which then stands
    among the remarks; it does not settle a stop or a value that is out of its limits.
    """
    return tuple(
        dict.fromkeys(
            (
                *_of_record(rows, checked),
                *_of_job(story, names),
                *_of_roles(names, signed),
                *(reason for one in signed for reason in _of_signature(rows, names, one, trust)),
            )
        )
    )


def _of_record(rows: Sequence[Row], checked: Checked) -> Iterable[str]:
    if checked.faults:
        what = w.count(checked.faults, "fault")
        yield f"The record that holds the job does not prove itself ({what}); 'benchwitness verify' names every fault."
    if rows[-1].seq > checked.head.seq:
        yield "The job has entries that the verification has not seen; verify again."


def _of_job(story: Story, names: Names) -> Iterable[str]:
    if not story.each("identity"):
        yield "The unit is not identified."
    if names.procedure is None:
        yield "The procedure cannot be read from the record, so nothing can be said of what the job had to contain."
    if not story.ended:
        yield "The job is not finished."
    yield from _missing(story, names)
    right = put_right(story)
    for item in story.standing:
        where = f"{item.name} {item.value}, {names.stage(item.stage)} (row {item.row.seq})"
        if item.kind == "reading" and item.outcome in {"fail", "undecided"} and item.row.id not in right:
            yield f"{where}: {item.badges[0].words}."
        if item.status == "unconfirmed":
            yield f"{where}: not confirmed."
    yield from _rejected(story, names)
    for raised in story.raised:
        items = [item for item in raised.items if item.kind != "stage_end" and item.row.id not in right]
        if raised.warning.severity == "warning":
            items = [item for item in items if decision_of(story.decided.get(item.row.id)) != "accepted"]
        if raised.warning.severity != "notice" and items:
            yield f"{raised.warning.badge.words.capitalize()}: {raised.warning.sentence}"
    for line in kit_lines(story, names):
        if line.badge.tone == BAD:
            yield f"{line.name}: {line.badge.words}."


def _rejected(story: Story, names: Names) -> Iterable[str]:
    """What a reviewer rejected and nothing that stands has taken the place of."""
    standing = {(item.kind, item.subject, item.stage): item.row.seq for item in story.standing}
    for id_, decided in story.decided.items():
        item = story.find(id_)
        if item is None or decision_of(decided) != "rejected" or id_ in story.replaced_by:
            continue
        if standing.get((item.kind, item.subject, item.stage), 0) < item.row.seq:
            yield f"{item.name} {item.value}, {names.stage(item.stage)} (row {item.row.seq}): rejected in review."


def _missing(story: Story, names: Names) -> Iterable[str]:
    """What the end of the job found missing. The ends of stages are passed over: what they lacked may have come."""
    end = next((item for item in reversed(story.items) if item.kind == "job_end"), None)
    listed = end.data.get("missing") if end else None
    for lack in map(mapping, listed if isinstance(listed, list) else ()):
        yield f"{names.stage(lack.get('stage'))}: {w.plain(lack.get('name'))} {w.plain(lack.get('why'))}."


def _of_roles(names: Names, signed: Sequence[Signed]) -> Iterable[str]:
    held = {one.role for one in signed if one.holds}
    for role in names.procedure.roles if names.procedure else ():
        if role.id not in held:
            yield f"Nobody has signed as {role.name} with a key."
    if not signed:
        yield "The job is not signed."


def _of_signature(rows: Sequence[Row], names: Names, one: Signed, trust: Trust) -> Iterable[str]:
    role = names.of("sign_off", one.role)
    for fault in one.faults:
        yield f"The signature of {one.person} as {role} does not hold: {fault}."
    if one.after:
        yield f"{w.count(len(one.after), 'entry', 'entries')} came after {one.person} signed as {role}; sign again."
    unknown = trust.doubt(one.key, one.person)
    if unknown is not None:
        yield f"The signature of {one.person} as {role}: {unknown}."
    if names.procedure is not None:
        try:
            check_role(rows, one.role, one.person, one.key, names.procedure)
        except CaptureError as error:
            yield str(error)
