"""What the page of one job shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from capture.bench.resume import Resumable, load_job
from capture.judge import JobView
from capture.record.signatures import Signed, hash_at, job_signatures
from capture.record.signing import open_points
from capture.review import wording as w
from capture.review.names import Names
from capture.review.pages.act import reviewing_role, technicians
from capture.review.pages.clips import LinkedGallery, Shelf
from capture.review.pages.lines import line_for
from capture.review.pages.timeline import Timeline, timeline
from capture.review.report import QUALIFIED, removed_files
from capture.review.story import Block, Raised, Story, tell
from capture.review.tally import Tally, tally

if TYPE_CHECKING:
    from capture.record import Record


@dataclass(frozen=True)
class JobPage:
    """Everything that the page needs. ``lines`` are the entries as they would be typed, by id; ``roles`` (id, name)
    pairs, the reviewing one first."""

    job: str
    found: Resumable
    names: Names
    story: Story
    timeline: Timeline
    tally: Tally
    signed: tuple[Signed, ...]
    lines: Mapping[str, str]
    roles: tuple[tuple[str, str], ...]
    technicians: tuple[str, ...]
    unsettled: tuple[str, ...]
    head: str
    missing: tuple[str, ...]
    alarms: tuple[Raised, ...]
    qualified: str = QUALIFIED

    @property
    def title(self) -> str:
        """The unit, or the owner's reference, or the job's id."""
        units = " ".join(item.value for item in self.story.each("identity"))
        return units or self.found.reference or self.job

    @property
    def opened(self) -> Mapping[str, Any]:
        """What the opening row says."""
        return self.story.opened.data if self.story.opened else {}

    @property
    def state(self) -> str:
        """How far the job is, in words."""
        if not self.found.finished:
            return "not finished"
        if any(one.holds and not one.after for one in self.signed):
            return "finished, signed"
        return "finished, changed since it was signed" if self.signed else "finished, not signed"

    def role(self, id_: str) -> str:
        """A role's name."""
        return self.names.of("sign_off", id_)


def job_page(record: Record, shelf: Shelf, job: str) -> JobPage:
    """Read a job for its page.

    Raises:
        UsageError: there is no such job.
        IntegrityError: a row is not what the program writes.
    """
    found = load_job(record, job)
    names = Names(found.procedure)
    gallery = LinkedGallery(record, shelf, job, removed_files(found.rows))
    story = tell(found.rows, names, gallery)
    view = JobView.of(found.recorded, found.procedure)
    reviewing = reviewing_role(found.procedure)
    roles = [(role.id, role.name) for role in found.procedure.roles]
    return JobPage(
        job=job,
        found=found,
        names=names,
        story=story,
        timeline=timeline(story, view, gallery),
        tally=tally(story),
        signed=job_signatures(found.rows, lambda seq: hash_at(record, seq)),
        lines={one.id: line_for(found.procedure, one.entry) for one in found.recorded},
        roles=tuple(sorted(roles, key=lambda role: role[0] != reviewing)),
        technicians=tuple(technicians(found.rows)),
        unsettled=tuple(open_points(found.rows)),
        head=record.head().hash,
        missing=tuple(_missing(story)),
        alarms=tuple(raised for raised in story.raised if _of_the_whole(raised)),
    )


def _of_the_whole(raised: Raised) -> bool:
    """Whether a warning belongs to the end of a stage or of the job, not to an entry that is decided on."""
    ends = all(item.kind in {"stage_end", "job_end"} for item in raised.items)
    return ends and raised.warning.severity in {"stop", "warning"}


def _missing(story: Story) -> list[str]:
    end = next((item for item in reversed(story.items) if item.kind == "job_end"), None)
    listed = end.data.get("missing") if end is not None else None
    return [
        f"{w.plain(need.get('name'))} {w.plain(need.get('why'))}"
        for need in (listed if isinstance(listed, list) else [])
        if isinstance(need, Mapping)
    ]


def second_hearing(block: Block) -> str:
    """What the second hearing made of the same sound, when it was something else."""
    heard = block.row.body.get("heard")
    second = heard.get("second") if isinstance(heard, Mapping) else None
    text = w.plain(second)
    return "" if text == block.text else text


def other_guesses(block: Block) -> list[tuple[str, str]]:
    """What else it may have been, if it was misheard: the words, and how likely in percent."""
    heard = block.row.body.get("heard")
    also = heard.get("also") if isinstance(heard, Mapping) else None
    found = []
    for one in also if isinstance(also, list) else []:
        share = one.get("share") if isinstance(one, Mapping) else None
        if isinstance(share, int | float):
            text = w.plain(one.get("text"))
            found.append((f"“{text}”" if text else "no words", f"{100 * share:.0f} %"))
    return found
