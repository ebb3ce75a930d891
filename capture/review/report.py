"""One job as one HTML file that needs nothing else: no network, no script, no other file."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from capture.errors import UsageError
from capture.review import tables
from capture.review import wording as w
from capture.review.describe import mapping
from capture.review.inline import Gallery
from capture.review.measured import budget_table, measured_facts
from capture.review.names import names_for
from capture.review.story import Story, tell
from capture.review.tally import tally

if TYPE_CHECKING:
    from jinja2 import Environment, Template

    from capture.record import Record, Row
    from capture.record.signatures import Signed

QUALIFIED = (
    "This record shows what was said, photographed and measured, and warns. Whether the unit may be used is for a"
    " qualified person to decide, by the maker's manual and the local rules."
)
"""The caution that stands beside every overall verdict."""


_WORKED = frozenset({"opened", "resumed", "reopened", "handed_over"})


@dataclass(frozen=True)
class Report:
    """A report's HTML, and what of the job's clips and pictures it could not show, one sentence each."""

    html: str
    unshown: tuple[str, ...]


def report_html(record: Record, job: str, *, inline_media: bool = True) -> str:
    """The HTML of ``make_report``."""
    return make_report(record, job, inline_media=inline_media).html


def make_report(record: Record, job: str, *, inline_media: bool = True) -> Report:
    """Write the report of one job.

    Args:
        record: an open record.
        job: the job's id.
        inline_media: carry clips and pictures inside the page; otherwise the page points to ``media/…`` and is to be
            put into the record's folder.

    Returns:
        A whole HTML document. Media that are missing or changed are named in their place; they do not stop it.

    Raises:
        UsageError: the record has no such job.
    """
    head = record.head()
    rows = list(record.rows(job))
    if not rows:
        raise UsageError(f"{record.folder}: there is no job {job}; 'benchwitness jobs' lists those that are there.")
    names = names_for(record, rows)
    gallery = Gallery(record, inline=inline_media, removed=removed_files(rows))
    story = tell(rows, names, gallery)
    style, script = asset("report.css"), asset("report.js")
    html = template("report.html").render(
        story=story,
        names=names,
        job=job,
        head=head,
        last=rows[-1],
        first=rows[0],
        opened=_opened(story),
        units=story.each("identity"),
        tally=tally(story),
        readings=tables.readings(story, names),
        turns=tables.turn_lines(story, names),
        kit=tables.kit_lines(story, names),
        gauges=tables.gauge_lines(story),
        signatures=tables.signatures(story, names, _signed(record, rows)),
        rules=tables.rules(story),
        sources=tables.limit_sources(story),
        files=tables.file_lines(story),
        qualified=QUALIFIED,
        style=Markup(style),
        script=Markup(script),
        policy=_policy(style, script, inline=inline_media),
    )
    return Report(html, tuple(f"{shown.ref.kind} {shown.ref.sha256}: {shown.note}" for shown in gallery.unshown))


def removed_files(rows: Iterable[Row]) -> dict[str, str]:
    """The files that the job's rows of kind "purged" name, with a sentence each."""
    found: dict[str, str] = {}
    for row in rows:
        files = mapping(row.body.get("data")).get("files") if row.kind == "purged" else None
        for file in files if isinstance(files, list) else ():
            digest = mapping(file).get("sha256")
            found[w.plain(digest)] = f"it was removed on purpose on {w.day(row.at)}, see row {row.seq}"
    return found


def _signed(record: Record, rows: list[Row]) -> tuple[Signed, ...]:
    from capture.record.signatures import hash_at, job_signatures

    return job_signatures(rows, lambda seq: hash_at(record, seq))


def _opened(story: Story) -> dict[str, Any]:
    """What the opening row says, whatever of it is there, and everyone who worked on the job."""
    data = story.opened.data if story.opened else {}
    people = (w.plain(item.data.get("technician")) for item in story.items if item.kind in _WORKED)
    technicians = ", ".join(dict.fromkeys(person for person in people if person))
    procedure = data.get("procedure")
    cautions = data.get("cautions")
    return {
        "technicians": technicians,
        "procedure": procedure if isinstance(procedure, dict) else {},
        "workshop": w.plain(data.get("workshop")),
        "reference": w.plain(data.get("reference")),
        "cautions": [w.plain(caution) for caution in cautions] if isinstance(cautions, list) else [],
        "settings": data.get("settings") if isinstance(data.get("settings"), dict) else {},
    }


def _policy(style: str, script: str, *, inline: bool) -> str:
    """A content security policy that allows this page's own style, script and media, and nothing else."""
    media = "data:" if inline else "'self'"
    return (
        f"default-src 'none'; style-src {hashed(style)}; script-src {hashed(script)}; img-src {media};"
        f" media-src {media}; base-uri 'none'; form-action 'none'"
    )


def hashed(text: str) -> str:
    """The text's hash as a content security policy names it."""
    return f"'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'"


def asset(name: str) -> str:
    """A file of the report's own: style, script or template."""
    return files("capture.review").joinpath("page", name).read_text("utf-8")


def template(name: str) -> Template:
    """One of the templates, with everything escaped that comes from a record."""
    return _environment().get_template(name)


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        loader=FunctionLoader(asset),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finalize,
    )
    environment.globals.update(w=w, budget_table=budget_table, measured_facts=measured_facts)
    return environment


def _finalize(value: Any) -> Any:
    if isinstance(value, Markup):
        return value
    return w.clean(value) if isinstance(value, str) else value
