"""What handlers share: errors of ours become sentences, and requests know who sent them."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, cast

from starlette.requests import HTTPConnection, Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from capture.bench.gate.visitors import Visitor
from capture.bench.page.guard import Door
from capture.bench.page.uploads import Refused
from capture.errors import CaptureError, EnvironmentFault, IntegrityError, UsageError

if TYPE_CHECKING:
    from jinja2 import Environment

Handler = Callable[[Request], Awaitable[Response]]
_ROOM = files("capture.bench.page")


def answering(action: Handler) -> Handler:
    """Every error of ours becomes its sentence with a fitting status."""

    async def answer(request: Request) -> Response:
        try:
            return await action(request)
        except Refused as error:
            return JSONResponse({"error": str(error)}, error.status, headers=error.headers)
        except UsageError as error:
            return JSONResponse({"error": str(error)}, 400)
        except (EnvironmentFault, IntegrityError) as error:
            return JSONResponse({"error": str(error)}, 503)
        except CaptureError as error:
            return JSONResponse({"error": str(error)}, 409)

    return answer


def visitor_of(request: HTTPConnection) -> Visitor:
    """Who sent a request that only somebody known may send."""
    return cast(Visitor, request.scope["visitor"])


def door_of(request: HTTPConnection) -> Door:
    """The door by which a request came in."""
    return cast(Door, request.scope["door"])


def page(name: str, **facts: Any) -> Response:
    """One of the pages, with everything in it escaped."""
    return HTMLResponse(_environment().get_template(name).render(**facts))


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    loader = FunctionLoader(lambda name: (_ROOM / "templates" / name).read_text("utf-8"))
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined)


def own_file(name: str, known: dict[str, str]) -> Response:
    """A file of the page's own, if it is one of those ``known`` (name -> media type)."""
    if name not in known:
        return JSONResponse({"error": "There is no such file."}, 404)
    return Response((_ROOM / "static" / name).read_bytes(), media_type=known[name])


def stored(entries: Iterable[Any]) -> Response:
    """What something became."""
    return JSONResponse(
        {"stored": [{"id": one.id, "kind": one.entry.kind, "status": one.entry.status} for one in entries]}
    )
