"""The bench's routes. Everything that writes answers with the entries that it became, or with one sentence."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from importlib.resources import files
from typing import Any

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from capture.bench.live_desk import Desk
from capture.bench.page.guard import COOKIE, Guard, Secrets
from capture.bench.page.hub import Hub
from capture.bench.page.uploads import Refused, json_of, photo_of
from capture.bench.tones import as_json
from capture.bench.voice import PageVoice
from capture.errors import CaptureError, EnvironmentFault, IntegrityError, UsageError

_STATIC = {
    "bench.js": "text/javascript",
    "show.js": "text/javascript",
    "sound.js": "text/javascript",
    "microphone.js": "text/javascript",
    "worklet.js": "text/javascript",
    "bench.css": "text/css",
    "icon.svg": "image/svg+xml",
}
_PICTURES = frozenset({"image/jpeg", "image/png", "image/webp"})
_LONGEST_LINE = 2_000
_LARGEST_MESSAGE = 64_000

Handler = Callable[[Request], Awaitable[Response]]


def make_app(desk: Desk, hub: Hub, known: Secrets, hosts: list[str]) -> Starlette:
    """The application.

    Args:
        desk: the bench.
        hub: spreads what it tells.
        known: the secrets of this start.
        hosts: allowed values of the Host header, with port.
    """
    pages = _Pages(desk, hub, known)

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        hub.attach(asyncio.get_running_loop())
        yield
        hub.close()

    def post(path: str, action: Handler) -> Route:
        return Route(path, _answering(action), methods=["POST"])

    routes = [
        Route("/enter", pages.enter),
        Route("/", pages.page),
        Route("/static/{name}", pages.static),
        Route("/events", pages.events),
        Route("/media/{digest}", _answering(pages.medium)),
        Route("/said/{number:int}", pages.said),
        post("/job/{action}", pages.job),
        post("/say", pages.say),
        post("/hush", pages.hush),
        post("/said/{number:int}/end", pages.said_ended),
        post("/listening", pages.listening),
        post("/practice/{number:int}", pages.practice),
        post("/photo", pages.photo),
        WebSocketRoute("/sound", pages.sound),
    ]
    return Starlette(routes=routes, lifespan=life, middleware=[Middleware(Guard, known=known, hosts=hosts)])


def _answering(action: Handler) -> Handler:
    """Every error of ours becomes its sentence with a fitting status."""

    async def answer(request: Request) -> Response:
        try:
            return await action(request)
        except Refused as error:
            return JSONResponse({"error": str(error)}, error.status)
        except UsageError as error:
            return JSONResponse({"error": str(error)}, 400)
        except (EnvironmentFault, IntegrityError) as error:
            return JSONResponse({"error": str(error)}, 503)
        except CaptureError as error:
            return JSONResponse({"error": str(error)}, 409)

    return answer


class _Pages:
    def __init__(self, desk: Desk, hub: Hub, known: Secrets) -> None:
        self._desk, self._hub, self._secrets = desk, hub, known
        self._files = files("capture.bench.page")

    async def enter(self, request: Request) -> Response:
        from hmac import compare_digest

        if not compare_digest(request.query_params.get("token", "").encode(), self._secrets.visit.encode()):
            return JSONResponse({"error": "Open the address that was printed at the start of the bench."}, 401)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(COOKIE, self._secrets.visit, httponly=True, samesite="strict", path="/")
        return answer

    async def page(self, _: Request) -> Response:
        from jinja2 import Environment

        text = (self._files / "templates" / "bench.html").read_text("utf-8")
        template = Environment(autoescape=True).from_string(text)
        return HTMLResponse(template.render(token=self._secrets.write, tones=as_json()))

    async def static(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in _STATIC:
            return JSONResponse({"error": "There is no such file."}, 404)
        return Response((self._files / "static" / name).read_bytes(), media_type=_STATIC[name])

    async def events(self, _: Request) -> Response:
        return StreamingResponse(self._hub.listen(), media_type="text/event-stream")

    async def medium(self, request: Request) -> Response:
        digest = request.path_params["digest"]
        if not re.fullmatch("[0-9a-f]{64}", digest):
            return JSONResponse({"error": "A medium is named by its 64 hexadecimal digits."}, 404)
        job = self._desk.live.session.job

        def read() -> tuple[bytes, str] | None:
            rows = self._desk.record.rows(job)
            ref = next((ref for row in rows for ref in row.media if ref.sha256 == digest), None)
            if ref is None or ref.media_type not in _PICTURES:
                return None
            return self._desk.record.read_media(digest), ref.media_type

        found = await asyncio.to_thread(read)
        if found is None:
            return JSONResponse({"error": "The live job has no such picture."}, 404)
        return Response(found[0], media_type=found[1])

    async def said(self, request: Request) -> Response:
        voice = self._desk.voice
        sound = voice.wav(request.path_params["number"]) if isinstance(voice, PageVoice) else None
        if sound is None:
            return JSONResponse({"error": "Nothing of this number is being said."}, 404)
        return Response(sound, media_type="audio/wav")

    async def said_ended(self, request: Request) -> Response:
        voice = self._desk.voice
        if isinstance(voice, PageVoice):
            voice.ended(request.path_params["number"])
        return JSONResponse({})

    async def job(self, request: Request) -> Response:
        data = await json_of(request)
        text = {name: str(data.get(name) or "") for name in ("procedure", "technician", "reference", "job", "reason")}
        desk = self._desk
        actions: dict[str, Callable[[], None]] = {
            "open": lambda: desk.open_job(text["procedure"], text["technician"], text["reference"]),
            "resume": lambda: desk.resume(text["job"], text["technician"]),
            "reopen": lambda: desk.reopen(text["job"], text["technician"], text["reason"]),
            "pause": desk.pause,
            "finish": desk.finish,
            "hand-over": lambda: desk.hand_over(text["technician"]),
        }
        action = actions.get(request.path_params["action"])
        if action is None:
            return JSONResponse(
                {"error": "A job can be opened, resumed, reopened, paused, finished, handed over."}, 404
            )
        await asyncio.to_thread(action)
        return JSONResponse({})

    async def say(self, request: Request) -> Response:
        data = await json_of(request, "line")
        if len(data["line"]) > _LONGEST_LINE:
            raise Refused(413, f"The line is longer than {_LONGEST_LINE} characters; say it in several.")
        stored = await asyncio.to_thread(lambda: self._desk.live.typed(data["line"]))
        return _stored(stored)

    async def hush(self, _: Request) -> Response:
        await asyncio.to_thread(lambda: self._desk.live.hush())
        return JSONResponse({})

    async def listening(self, request: Request) -> Response:
        data = await json_of(request)
        await asyncio.to_thread(lambda: self._desk.live.set_listening(data.get("on") is True))
        return JSONResponse({})

    async def practice(self, request: Request) -> Response:
        await asyncio.to_thread(self._desk.practise, request.path_params["number"])
        return JSONResponse({})

    async def photo(self, request: Request) -> Response:
        self._desk.live  # noqa: B018 - a picture without a job is refused before it is read
        data, media_type = await photo_of(request)
        view = request.query_params.get("view") or None
        name = request.query_params.get("name", "")[:120]
        stored = await asyncio.to_thread(lambda: self._desk.live.photo(data, media_type, view, name))
        return _stored(stored)

    async def sound(self, socket: WebSocket) -> None:
        """int16 mono samples from the page, in messages of a fraction of a second."""
        rate = socket.query_params.get("rate", "16000")
        await socket.accept()
        try:
            source = await asyncio.to_thread(self._desk.browser, int(rate) if rate.isdigit() else 0)
        except CaptureError as error:
            await socket.close(1008, str(error)[:120])
            return
        with suppress(WebSocketDisconnect, KeyError):
            while True:
                data = await socket.receive_bytes()
                if len(data) > _LARGEST_MESSAGE:
                    await socket.close(1009, "too much at once")
                    break
                await asyncio.to_thread(source.push, data)
        await asyncio.to_thread(source.lost)


def _stored(entries: Any) -> Response:
    return JSONResponse(
        {"stored": [{"id": one.id, "kind": one.entry.kind, "status": one.entry.status} for one in entries]}
    )
