"""Phones: whoever reads the code on the bench page may send pictures of that one job, and sees what became of them."""

from __future__ import annotations

import asyncio
import re
import time
from collections import OrderedDict
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from capture.bench.gate.pairing import VALID_S, qr_svg
from capture.bench.gate.visitors import Visitor
from capture.bench.live_board import card
from capture.bench.page.answers import answering, door_of, page, visitor_of
from capture.bench.page.entrance import FREE_BY_TOKEN, Entrance, Gate, address_of, let_in, shown_fingerprint
from capture.bench.page.hub import Hub
from capture.bench.page.uploads import Refused, json_of, photo_of, picture_type
from capture.judge.entry import Recorded
from capture.units import UNITS

if TYPE_CHECKING:
    from capture.bench.live import Live
    from capture.bench.live_desk import Desk
    from capture.procedure.model import Procedure

_MOST_REMEMBERED = 200
_UPLOAD = re.compile(r"[0-9a-zA-Z-]{8,64}")
_DIGEST = re.compile(r"[0-9a-f]{64}")


class Phones:
    """The routes of pairing and of the phone's page."""

    def __init__(self, desk: Desk, hub: Hub, gate: Gate, entrance: Entrance) -> None:
        self._desk, self._hub, self._gate, self._entrance = desk, hub, gate, entrance
        self._done: OrderedDict[tuple[str, str], dict[str, Any]] = OrderedDict()
        self._shown: OrderedDict[tuple[str, str], None] = OrderedDict()
        self._one_at_a_time = asyncio.Lock()

    def routes(self) -> list[Route]:
        """The routes."""
        return [
            Route("/phone/pair", answering(self.pair), methods=["POST"]),
            Route("/phone/withdraw", answering(self.withdraw), methods=["POST"]),
            Route("/phone/revoke", answering(self.revoke), methods=["POST"]),
            Route("/phone", self.phone_page),
            Route("/phone/enter", answering(self.enter), methods=["POST"]),
            Route("/phone/state", answering(self.state)),
            Route("/phone/photo", answering(self.photo), methods=["POST"]),
            Route("/phone/media/{digest}", answering(self.medium)),
        ]

    # On the bench page.

    async def pair(self, request: Request) -> Response:
        """Offer a token for the live job, as a picture."""
        door = self._gate.lan
        if door is None:
            raise Refused(409, "Phones cannot reach this bench; start it with --lan to let them.")
        job = self._desk.live.session.job
        offer = self._gate.pairing.offer(job, visitor_of(request).person or self._desk.live.session.technician)
        address = f"{door.origin}/phone"
        return JSONResponse(
            {
                "svg": qr_svg(f"{address}#{offer.token}"),
                "address": address,
                "seconds": int(VALID_S),
                "fingerprint": shown_fingerprint(self._gate),
                "plain": door.scheme == "http",
            }
        )

    async def withdraw(self, _: Request) -> Response:
        """The code that is shown is good for nothing any more."""
        self._gate.pairing.withdraw()
        return JSONResponse({})

    async def revoke(self, request: Request) -> Response:
        """End a phone's session."""
        data = await json_of(request, "id")
        if all(phone["id"] != data["id"] for phone in self.listed()):
            raise Refused(404, "That phone is not paired any more.")
        self._gate.visitors.end(id_=data["id"])
        await asyncio.to_thread(self._hub.changed)
        return JSONResponse({})

    def listed(self) -> list[dict[str, Any]]:
        """The phones of the live job, for the bench page."""
        if not self._desk.has_job:
            return []
        found = self._gate.visitors.phones(self._desk.live.session.job)
        return [{"id": one["id"], "since": time.strftime("%H:%M", time.localtime(one["begun"]))} for one in found]

    # On the phone.

    async def phone_page(self, request: Request) -> Response:
        """The phone's page; it says nothing before the phone is paired."""
        visitor = request.scope["visitor"]
        paired = visitor is not None and visitor.via == "phone"
        plain = door_of(request).scheme == "http"
        return page("phone.html", token=visitor.write if paired else "", paired=paired, plain=plain)

    async def enter(self, request: Request) -> Response:
        """Use the token up."""
        door = door_of(request)
        if "phone" not in door.vias:
            raise Refused(403, "Phones come in by the network's address; read the code again.")
        data = await json_of(request, "token")
        self._entrance.slow_down({("pairing", address_of(request)): FREE_BY_TOKEN})
        offer = self._gate.pairing.take(data["token"])
        if offer is None:
            raise Refused(401, "This code is used up or too old; show a new one on the bench page and read that.")
        self._gate.throttle.passed(("pairing", address_of(request)))
        token = self._gate.visitors.begin("phone", offer.by, offer.job)
        await asyncio.to_thread(self._hub.changed)
        return let_in(door, token, "phone")

    async def state(self, request: Request) -> Response:
        """What the phone's page shows: which picture the bench asks for."""
        live = self._live(visitor_of(request))
        board = live.board()
        name = " ".join(part["value"] for part in board["unit"]) or board["reference"]
        return JSONResponse(
            {
                "job": name or board["procedure"],
                "views": board["views"],
                "asked": board["asked"],
                "caution": (board["cautions"] or [""])[0],
            }
        )

    async def photo(self, request: Request) -> Response:
        """Take a picture. The same upload sent twice (its answer was lost on the way) is taken once."""
        visitor = visitor_of(request)
        live = self._live(visitor)
        upload = request.headers.get("x-upload-id", "")
        if not _UPLOAD.fullmatch(upload):
            raise Refused(400, "The picture came without its number; load the page again.")
        data, media_type = await photo_of(request)
        view = request.query_params.get("view") or None
        name = request.query_params.get("name", "")[:120]
        async with self._one_at_a_time:
            known = self._done.get((visitor.id, upload))
            if known is None:
                entries = await asyncio.to_thread(live.photo, data, media_type, view, name, device="paired phone")
                known = self._told(live.procedure, visitor, entries)
                _remember(self._done, (visitor.id, upload), known)
        return JSONResponse(known)

    async def medium(self, request: Request) -> Response:
        """A picture that this phone sent, or what was drawn on it."""
        digest = request.path_params["digest"]
        if not _DIGEST.fullmatch(digest) or (visitor_of(request).id, digest) not in self._shown:
            return JSONResponse({"error": "This phone sent no such picture."}, 404)
        data = await asyncio.to_thread(self._desk.record.read_media, digest)
        return Response(data, media_type=picture_type(data))

    def _live(self, visitor: Visitor) -> Live:
        if not self._desk.has_job or self._desk.live.session.job != visitor.job:
            raise Refused(409, "The job that this phone was paired for is not open at the bench now.")
        return self._desk.live

    def _told(self, procedure: Procedure, visitor: Visitor, entries: tuple[Recorded, ...]) -> dict[str, Any]:
        found = outcome(procedure, entries)
        media = {ref.kind: ref.sha256 for ref in self._desk.record.row(entries[0].id).media}
        picture = media.get("overlay") or media.get("photo")
        if picture:
            _remember(self._shown, (visitor.id, picture), None)
        return {**found, "picture": picture}


def outcome(procedure: Procedure, entries: tuple[Recorded, ...]) -> dict[str, Any]:
    """What became of a picture, for the phone: ``title``, ``value`` with ``expanded`` (U, k = 2) or the reason why
    there is none, ``verdict``, ``tone``, ``status``, and ``todo``: sentences of what is wrong and what to do."""
    one = next((found for found in entries if found.entry.kind == "reading"), entries[0])
    shown = card(procedure, one, {})
    expanded = one.entry.data.get("expanded")
    unit = UNITS.get(str(one.entry.data.get("default_unit")))
    measured = one.entry.kind == "reading"
    return {
        "measured": measured,
        "view": next((found.entry.subject for found in entries if found.entry.kind == "photo"), None),
        "title": "Not measured" if one.entry.data.get("outcome") == "refused" else shown["name"],
        "value": shown["value"],
        "expanded": f"± {expanded} {unit.symbol}" if unit is not None and expanded is not None else "",
        "verdict": shown["verdict"],
        "tone": shown["tone"],
        "limits": shown["limits"],
        "status": one.entry.status,
        "todo": [[warning["sentence"], warning["todo"]] for warning in shown["warnings"]],
    }


def _remember(memory: OrderedDict[Any, Any], key: Any, value: Any) -> None:
    memory[key] = value
    while len(memory) > _MOST_REMEMBERED:
        memory.popitem(last=False)
