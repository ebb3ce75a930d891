"""The review pages' routes. Whoever serves them says who is asking, and guards them like every other page."""

from __future__ import annotations

import asyncio
import math
import re
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from capture.bench.page.uploads import Refused, json_of
from capture.bench.resume import new_id
from capture.errors import CaptureError, EnvironmentFault, IntegrityError, UsageError
from capture.record.keys import keys_folder
from capture.review.lookups_index import open_index
from capture.review.pages import acts, job_list, render, rewrite
from capture.review.pages.act import Act
from capture.review.pages.certificates import FORMS, Certificates
from capture.review.pages.charts import charts_of
from capture.review.pages.clips import SERVED, Shelf
from capture.review.pages.find_page import found
from capture.review.pages.job_page import JobPage, job_page
from capture.review.pages.ranges import ranged
from capture.review.pages.who import COOKIE, Asking, Role, Who, clean_name, cookie_of

if TYPE_CHECKING:
    from capture.record import Record

_JOB = re.compile(r"[0-9A-Za-z-]{1,64}")
_DIGEST = re.compile("[0-9a-f]{64}")
_MOST_POINTS = 60

Answering = Callable[[Request], Awaitable[Response]]


@dataclass(frozen=True)
class Place:
    """What the pages work on.

    Args:
        record: open for writing.
        who: who sent a request.
        token: what the page that answers a request must write with.
        setups: measuring setups by photo view.
        changed: told a job's id after rows were added to it.
        bench: whether a bench page is served beside these pages.
    """

    record: Record
    who: Asking
    token: Callable[[Request], str]
    setups: Mapping[str, Path] = field(default_factory=dict)
    changed: Callable[[str], None] = lambda job: None
    bench: bool = True


RULES: tuple[tuple[Literal["GET", "POST"], str, tuple[Role, ...]], ...] = (
    ("GET", "/review", ("technician", "reviewer", "reader")),
    ("GET", "/review/find", ("technician", "reviewer", "reader")),
    ("GET", "/review/static/{name}", ("technician", "reviewer", "reader")),
    ("GET", "/review/job/{job}", ("technician", "reviewer", "reader")),
    ("GET", "/review/job/{job}/media/{digest}", ("technician", "reviewer", "reader")),
    ("GET", "/review/job/{job}/certificate/{form}", ("technician", "reviewer", "reader")),
    ("POST", "/review/who", ("technician", "reviewer", "reader")),
    ("POST", "/review/job/{job}/{action}", ("technician", "reviewer")),
)
"""Method, path and who may use it, for the table of whoever guards the pages; the rest each act checks itself."""


def review_routes(place: Place) -> list[Route]:
    """The routes, to be mounted as they are."""
    pages = _Pages(place)
    handlers: dict[str, Answering] = {
        "/review": pages.jobs,
        "/review/find": pages.find,
        "/review/static/{name}": pages.static,
        "/review/job/{job}": pages.job,
        "/review/job/{job}/media/{digest}": pages.medium,
        "/review/job/{job}/certificate/{form}": pages.certificate,
        "/review/who": pages.person,
        "/review/job/{job}/{action}": pages.act,
    }
    return [Route(path, _answering(handlers[path]), methods=[method]) for method, path, _ in RULES]


def _answering(action: Answering) -> Answering:
    """Every error of ours becomes its sentence with a fitting status, on a page when a page was asked for."""

    async def answer(request: Request) -> Response:
        try:
            return await action(request)
        except Refused as error:
            return _sentence(request, str(error), error.status)
        except UsageError as error:
            return _sentence(request, str(error), 400 if request.method == "POST" else 404)
        except (EnvironmentFault, IntegrityError) as error:
            return _sentence(request, str(error), 503)
        except CaptureError as error:
            return _sentence(request, str(error), 409)

    return answer


def _sentence(request: Request, text: str, status: int) -> Response:
    if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
        return HTMLResponse(render.render("sentence.html", sentence=text), status)
    return JSONResponse({"error": text}, status)


class _Pages:
    def __init__(self, place: Place) -> None:
        self._place = place
        self._shelf = Shelf()
        self._certificates = Certificates(place.record)
        self._session = new_id()

    async def jobs(self, request: Request) -> Response:
        only = job_list.which(request.query_params.get("only", ""))
        page = _page_number(request)

        def read() -> dict[str, Any]:
            with open_index(self._place.record.folder) as index:
                return job_list.listed(index, only, page, datetime.now().astimezone())

        return self._page(request, "jobs.html", "jobs", **await asyncio.to_thread(read))

    async def find(self, request: Request) -> Response:
        asked = dict(request.query_params)
        folder = self._place.record.folder
        facts = await asyncio.to_thread(lambda: found(folder, asked, _page_number(request)))
        return self._page(request, "find.html", "find", **facts)

    async def static(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in render.STATIC:
            return JSONResponse({"error": "There is no such file."}, 404)
        return Response(render.own_file(name), media_type=render.STATIC[name])

    async def person(self, request: Request) -> Response:
        data = await json_of(request, "person")
        if self._place.who(request).login:
            raise UsageError("You are logged in; log out to be somebody else.")
        answer = JSONResponse({"person": clean_name(data["person"])})
        answer.set_cookie(COOKIE, cookie_of(data["person"]), httponly=True, samesite="strict", path="/review")
        return answer

    async def job(self, request: Request) -> Response:
        job = self._job(request)

        def read() -> tuple[JobPage, list[Any]]:
            page = job_page(self._place.record, self._shelf, job)
            return page, charts_of(page.story, page.names)

        page, charts = await asyncio.to_thread(read)
        return self._page(request, "job.html", "job", page=page, charts=charts)

    async def medium(self, request: Request) -> Response:
        job, digest = self._job(request), request.path_params["digest"]
        if not _DIGEST.fullmatch(digest):
            raise Refused(404, "A medium is named by its 64 hexadecimal digits.")
        record = self._place.record

        def read() -> tuple[bytes, str] | None:
            refs = (ref for row in record.rows(job) for ref in row.media)
            ref = next((ref for ref in refs if ref.sha256 == digest and ref.media_type in SERVED), None)
            return None if ref is None else (record.read_media(digest), ref.media_type)

        known = await asyncio.to_thread(read)
        if known is None:
            raise Refused(404, "This job has no such sound or picture.")
        return ranged(request, *known, digest)

    async def certificate(self, request: Request) -> Response:
        job, form = self._job(request), request.path_params["form"]
        if form not in FORMS:
            raise Refused(404, f"A certificate is had as {' or '.join(FORMS)}.")
        content = await asyncio.to_thread(self._certificates.made, job, form)
        name = f'attachment; filename="certificate-{job}.{form}"'
        return Response(content, media_type=FORMS[form], headers={"content-disposition": name})

    async def act(self, request: Request) -> Response:
        job, action = self._job(request), request.path_params["action"]
        known = {
            "decide": self._decide, "correct": self._correct, "take-back": self._take_back, "measure": self._measure,
            "reopen": self._reopen, "sign": self._sign,
        }.get(action)  # fmt: skip
        if known is None:
            raise Refused(404, f"There is nothing that is called {action[:40]!r}.")
        data = await json_of(request)
        act = Act(self._place.record, job, self._place.who(request), self._session)
        answer = await asyncio.to_thread(known, act, data)
        return JSONResponse(answer)

    def _decide(self, act: Act, data: Mapping[str, Any]) -> dict[str, Any]:
        entry = _text(data, "entry")
        acts.decide(act, entry, _text(data, "decision"), _text(data, "comment"))
        return self._changed(act, entry)

    def _correct(self, act: Act, data: Mapping[str, Any]) -> dict[str, Any]:
        entry = _text(data, "entry")
        rewrite.correct(act, entry, _text(data, "line"), _text(data, "comment"))
        return self._changed(act, entry)

    def _take_back(self, act: Act, data: Mapping[str, Any]) -> dict[str, Any]:
        entry = _text(data, "entry")
        acts.take_back(act, entry)
        return self._changed(act, entry)

    def _measure(self, act: Act, data: Mapping[str, Any]) -> dict[str, Any]:
        entry, store = _text(data, "entry"), data.get("store") is True
        points = {name: _points(data, name) for name in ("tip", "rim")}
        given = {name: found for name, found in points.items() if found}
        shown = data.get("shown", 1)
        if isinstance(shown, bool) or not isinstance(shown, int | float) or not 0 < shown <= 100:
            raise Refused(400, "'shown' must be picture pixels to a screen pixel; load the page again.")
        looked = rewrite.measure_again(
            act, entry, given, _text(data, "comment"), self._place.setups, store=store, shown=float(shown)
        )
        result = looked.result
        told = {
            "value": f"{result.value_mm} mm ± {result.expanded_mm} mm (k = 2)",
            "flags": [sentence for _, sentence in result.flags],
        }
        return {**told, **(self._changed(act, entry) if store else {})}

    def _reopen(self, act: Act, data: Mapping[str, Any]) -> dict[str, Any]:
        acts.reopen(act, _text(data, "comment"))
        self._place.changed(act.job)
        return {"load": True}

    def _sign(self, act: Act, data: Mapping[str, Any]) -> dict[str, Any]:
        acts.sign(act, _text(data, "role"), _text(data, "passphrase"), keys_folder())
        self._place.changed(act.job)
        return {"load": True}

    def _changed(self, act: Act, entry: str) -> dict[str, Any]:
        """The card of an entry as it is now, and how far the review is."""
        self._place.changed(act.job)
        page = job_page(self._place.record, self._shelf, act.job)
        seq = next(row.seq for row in page.found.rows if row.id == entry)
        card = page.timeline.card(seq)
        if card is None:
            return {"load": True}
        return {"key": card.key, "card": render.card_html(card, page), "top": render.top_html(page)}

    def _job(self, request: Request) -> str:
        """The job that is asked for; where the record lies is nothing for whoever asks for another."""
        job = str(request.path_params["job"])
        if not _JOB.fullmatch(job) or not self._place.record.has_job(job):
            raise Refused(404, "There is no job with this id; go to the list of jobs.")
        return job

    def _page(self, request: Request, name: str, here: str, **facts: Any) -> Response:
        who: Who = self._place.who(request)
        text = render.render(
            name, here=here, who=who, token=self._place.token(request), bench=self._place.bench, **facts
        )
        return HTMLResponse(text)


def _page_number(request: Request) -> int:
    text = request.query_params.get("page", "1")
    return min(int(text), 1_000_000) if re.fullmatch("[1-9][0-9]{0,6}", text) else 1


def _text(data: Mapping[str, Any], name: str) -> str:
    value = data.get(name, "")
    if not isinstance(value, str):
        raise Refused(400, f"'{name}' must be text; load the page again.")
    return value


def _points(data: Mapping[str, Any], name: str) -> list[tuple[float, float]]:
    listed = data.get(name) or []
    if not isinstance(listed, list) or len(listed) > _MOST_POINTS:
        raise Refused(400, f"At most {_MOST_POINTS} points are taken.")
    found = []
    for point in listed:
        if not (isinstance(point, list) and len(point) == 2 and all(_finite(value) for value in point)):
            raise Refused(400, "A point is two numbers, x and y in pixels.")
        found.append((float(point[0]), float(point[1])))
    return found


def _finite(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and abs(value) < 1e6
