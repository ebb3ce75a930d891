"""Who acts on the review pages. Until there are logins it is whoever the page was told is sitting there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol
from urllib.parse import quote, unquote

from starlette.requests import Request

Role = Literal["technician", "reviewer", "reader"]

COOKIE = "benchwitness_person"
LONGEST_NAME = 100


@dataclass(frozen=True)
class Who:
    """A person and what they may do: a reader looks, a technician also comments, a reviewer decides.

    ``person`` is empty while nobody has said who they are. ``login`` says that the name was proven, so that the page
    offers no field for another one.
    """

    person: str
    role: Role
    login: bool = False


class Asking(Protocol):
    """Finds out who sent a request; whoever serves the pages hands one in (see ``routes.review_routes``)."""

    def __call__(self, request: Request) -> Who: ...  # noqa: D102


def named_on_the_page(request: Request) -> Who:
    """The person whom the page was told, on a machine where one secret address lets everybody do everything."""
    return Who(clean_name(unquote(request.cookies.get(COOKIE, ""))), "reviewer")


def cookie_of(person: str) -> str:
    """A person's name as the page's cookie holds it."""
    return quote(clean_name(person), safe="")


def clean_name(text: str) -> str:
    """A name on one line, without control characters, at most ``LONGEST_NAME`` characters."""
    return " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())[:LONGEST_NAME].strip()
