"""The bench's routes. Everything that writes answers with the entries that it became, or with one sentence."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from capture.bench.gate.access import BENCH, Rule, Table
from capture.bench.live_desk import Desk
from capture.bench.page.answers import Handler, answering, own_file, page, stored, visitor_of
from capture.bench.page.entrance import Entrance, Gate
from capture.bench.page.guard import SOCKET_PROTOCOL
from capture.bench.page.hub import Hub
from capture.bench.page.phones import Phones
from capture.bench.page.uploads import Refused, json_of, photo_of
from capture.bench.tones import as_json
from capture.bench.voice import PageVoice
from capture.errors import CaptureError
from capture.record.keys import same_person
from capture.review.pages.routes import RULES, Place, review_routes
from capture.review.pages.who import Role, Who, named_on_the_page

_STATIC = {
    "bench.js": "text/javascript",
    "show.js": "text/javascript",
    "sound.js": "text/javascript",
    "microphone.js": "text/javascript",
    "pair.js": "text/javascript",
    "worklet.js": "text/javascript",
    "bench.css": "text/css",
    "icon.svg": "image/svg+xml",
}
_PICTURES = frozenset({"image/jpeg", "image/png", "image/webp"})
_LONGEST_LINE = 2_000
_LARGEST_MESSAGE = 64_000

TABLE = Table(BENCH + tuple(Rule(method, path, frozenset(who)) for method, path, who in RULES))
"""Who may use which route."""


def make_app(desk: Desk, hub: Hub, gate: Gate) -> Starlette:
    """The application, which has to be served behind a ``Guard``.

    Args:
        desk: the bench.
        hub: spreads what it tells.
        gate: who comes in.
    """
    entrance = Entrance(gate, hub.changed)
    phones = Phones(desk, hub, gate, entrance)
    hub.board = lambda: {**desk.board(), "phones": phones.listed()}

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        hub.attach(asyncio.get_running_loop())
        yield
        hub.close()

    review = review_routes(
        Place(
            desk.record,
            who=reviewing,
            token=lambda request: visitor_of(request).write,
            setups=desk.settings.setups,
            changed=desk.reviewed,
            bench=bool(desk.settings.procedures),
        )
    )
    routes: list[BaseRoute] = [*entrance.routes(), *phones.routes(), *_Pages(desk, hub, gate).routes(), *review]
    return Starlette(routes=routes, lifespan=life)


def reviewing(request: Request) -> Who:
    """Who acts on the review pages: the person who logged in, else whoever this machine's page was told."""
    visitor = visitor_of(request)
    if visitor.via == "local":
        return named_on_the_page(request)
    roles: tuple[Role, ...] = ("reviewer", "technician")
    return Who(visitor.person, next((role for role in roles if role in visitor.roles), "reader"), login=True)


class _Pages:
    def __init__(self, desk: Desk, hub: Hub, gate: Gate) -> None:
        self._desk, self._hub, self._gate = desk, hub, gate

    def routes(self) -> list[BaseRoute]:
        def post(path: str, action: Handler) -> Route:
            return Route(path, answering(action), methods=["POST"])

        return [
            Route("/", self.page),
            Route("/static/{name}", self.static),
            Route("/events", self.events),
            Route("/media/{digest}", answering(self.medium)),
            Route("/said/{number:int}", self.said),
            post("/job/{action}", self.job),
            post("/say", self.say),
            post("/hush", self.hush),
            post("/said/{number:int}/end", self.said_ended),
            post("/listening", self.listening),
            post("/practice/{number:int}", self.practice),
            post("/photo", self.photo),
            post("/camera", self.camera),
            WebSocketRoute("/sound", self.sound),
        ]

    async def page(self, request: Request) -> Response:
        if not self._desk.settings.procedures:
            return RedirectResponse("/review", 303)
        visitor = visitor_of(request)
        return page(
            "bench.html",
            token=visitor.write,
            tones=as_json(),
            person=visitor.person,
            works="technician" in visitor.roles,
            phones=self._gate.lan is not None,
        )

    async def static(self, request: Request) -> Response:
        return own_file(request.path_params["name"], _STATIC)

    async def events(self, request: Request) -> Response:
        token = request.scope["session"]
        stream = self._hub.listen(lambda: self._gate.visitors.of(token) is not None)
        return StreamingResponse(stream, media_type="text/event-stream")

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
        desk, person = self._desk, visitor_of(request).person
        action_name = request.path_params["action"]
        if action_name == "hand-over" and person and not self._is_theirs(person):
            text["technician"] = person
        elif action_name in {"pause", "finish", "hand-over"}:
            self._must_be_theirs(person)
        elif person:
            text["technician"] = person
        actions: dict[str, Callable[[], None]] = {
            "open": lambda: desk.open_job(text["procedure"], text["technician"], text["reference"]),
            "resume": lambda: desk.resume(text["job"], text["technician"]),
            "reopen": lambda: desk.reopen(text["job"], text["technician"], text["reason"]),
            "pause": desk.pause,
            "finish": desk.finish,
            "hand-over": lambda: desk.hand_over(text["technician"]),
        }
        action = actions.get(action_name)
        if action is None:
            return JSONResponse(
                {"error": "A job can be opened, resumed, reopened, paused, finished, handed over."}, 404
            )
        await asyncio.to_thread(action)
        return JSONResponse({})

    async def say(self, request: Request) -> Response:
        self._must_be_theirs(visitor_of(request).person)
        data = await json_of(request, "line")
        if len(data["line"]) > _LONGEST_LINE:
            raise Refused(413, f"The line is longer than {_LONGEST_LINE} characters; say it in several.")
        return stored(await asyncio.to_thread(lambda: self._desk.live.typed(data["line"])))

    async def hush(self, _: Request) -> Response:
        await asyncio.to_thread(lambda: self._desk.live.hush())
        return JSONResponse({})

    async def listening(self, request: Request) -> Response:
        self._must_be_theirs(visitor_of(request).person)
        data = await json_of(request)
        await asyncio.to_thread(lambda: self._desk.live.set_listening(data.get("on") is True))
        return JSONResponse({})

    async def practice(self, request: Request) -> Response:
        self._must_be_theirs(visitor_of(request).person)
        await asyncio.to_thread(self._desk.practise, request.path_params["number"])
        return JSONResponse({})

    async def photo(self, request: Request) -> Response:
        self._desk.live  # noqa: B018 - a picture without a job is refused before it is read
        self._must_be_theirs(visitor_of(request).person)
        data, media_type = await photo_of(request)
        view = request.query_params.get("view") or None
        name = request.query_params.get("name", "")[:120]
        return stored(await asyncio.to_thread(lambda: self._desk.live.photo(data, media_type, view, name)))

    async def camera(self, request: Request) -> Response:
        """Take a picture with the bench's own camera."""
        self._must_be_theirs(visitor_of(request).person)
        data = await json_of(request)
        view = str(data.get("view") or "") or None
        return stored(await asyncio.to_thread(self._desk.take_picture, view))

    async def sound(self, socket: WebSocket) -> None:
        """int16 mono samples from the page, in messages of a fraction of a second."""
        rate = socket.query_params.get("rate", "16000")
        await socket.accept(SOCKET_PROTOCOL)
        try:
            self._must_be_theirs(visitor_of(socket).person)
            source = await asyncio.to_thread(self._desk.browser, int(rate) if rate.isdigit() else 0)
        except CaptureError as error:
            await socket.close(1008, str(error)[:120])
            return
        with suppress(WebSocketDisconnect, KeyError):
            while True:
                data = await socket.receive_bytes()
                if not self._may_speak(socket):
                    await socket.close(1008, "this page may not speak for the job any more; come in again")
                    break
                if len(data) > _LARGEST_MESSAGE:
                    await socket.close(1009, "too much at once")
                    break
                await asyncio.to_thread(source.push, data)
        await asyncio.to_thread(source.lost)

    def _may_speak(self, socket: WebSocket) -> bool:
        """Whether a page that began to send sound still may: its session, its role, and whose job it is can change."""
        known = self._gate.visitors.of(socket.scope["session"])
        if known is None or "technician" not in known.roles:
            return False
        return not (known.person and self._desk.has_job and not self._is_theirs(known.person))

    def _is_theirs(self, person: str) -> bool:
        return same_person(person, self._desk.live.session.technician)

    def _must_be_theirs(self, person: str) -> None:
        """What somebody who logged in says or does is not to stand under another technician's name.

        Raises:
            Refused: the live job is somebody else's.
        """
        if person and self._desk.has_job and not self._is_theirs(person):
            other = self._desk.live.session.technician
            raise Refused(409, f"{other} works on this job; take it over first (Hand over to: {person}).")
