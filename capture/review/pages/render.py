"""The review pages' templates and own files."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from capture.review import wording as w
from capture.review.measured import budget_table
from capture.review.pages.job_page import JobPage, other_guesses, second_hearing
from capture.review.pages.timeline import Card, Part

if TYPE_CHECKING:
    from jinja2 import Environment

STATIC: Mapping[str, str] = {
    "review.css": "text/css",
    "common.js": "text/javascript",
    "lists.js": "text/javascript",
    "job.js": "text/javascript",
    "points.js": "text/javascript",
}
"""The pages' own files, and what they are."""

_ROOM = files("capture.review.pages")


def render(name: str, **facts: Any) -> str:
    """One of the pages, with everything escaped that comes from a record."""
    return _environment().get_template(name).render(**facts)


def card_html(card: Card, page: JobPage) -> str:
    """One card, as it stands in the page of its job."""
    return str(_macros("card.html").card(card, page))


def top_html(page: JobPage) -> str:
    """How far the review is."""
    return str(_macros("top.html").top(page))


def own_file(name: str) -> bytes:
    """One of the files in ``STATIC``."""
    return (_ROOM / "static" / name).read_bytes()


def photo_of(part: Part) -> str:
    """The address of a part's picture as it was taken; empty when it has none that can be shown."""
    return next((shown.url or "" for shown in part.block.pictures if shown.ref.kind == "photo"), "")


def points_of(part: Part) -> dict[str, Any]:
    """Where tip and rim were found in a part's picture, pixels."""
    pixels = part.block.measurement.get("pixels")
    known = pixels if isinstance(pixels, Mapping) else {}
    return {"tip": known.get("tip"), "rim": known.get("rim_line")}


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        loader=FunctionLoader(lambda name: (_ROOM / "templates" / name).read_text("utf-8")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finalize,
    )
    environment.globals.update(
        w=w,
        budget_table=budget_table,
        photo_of=photo_of,
        points_of=points_of,
        second_hearing=second_hearing,
        other_guesses=other_guesses,
    )
    return environment


@cache
def _macros(name: str) -> Any:
    return _environment().get_template(name).module


def _finalize(value: Any) -> Any:
    if isinstance(value, Markup):
        return value
    return w.clean(value) if isinstance(value, str) else value
