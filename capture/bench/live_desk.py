"""The bench as a whole: which jobs can be opened, the one that is live, and what the page is told of both."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from capture.bench.live import Live
from capture.bench.live_board import card
from capture.bench.live_camera import Shutter
from capture.bench.live_clock import SoundClock, WallClock
from capture.bench.live_source import Practice, PracticeSource, PushedSource, Source
from capture.bench.live_types import Listener, Told
from capture.bench.resume import Resumable, load_job, new_id, recent_jobs, recover
from capture.bench.session import Header, Measurer, Session
from capture.bench.voice import MachineVoice, NoVoice, PageVoice, Synthesiser, Voice
from capture.camera import FrameSource
from capture.errors import CaptureError, UsageError
from capture.judge.entry import Recorded

if TYPE_CHECKING:
    from capture.procedure.model import Procedure
    from capture.record import Record

VoiceChoice = Literal["page", "machine", "off"]
ListenChoice = Literal["open", "called", "held"]
"""The microphone is open; or only what follows the wake phrase counts; or it is open while a key is held."""
LONGEST_FIELD = 120


@dataclass(frozen=True)
class Settings:
    """What the bench was started with. ``procedures``: id -> what may be opened; ``setups`` are only for the record;
    ``camera_when_asked``: a picture asked for aloud is taken by the bench's camera; ``keep_frames``: all of a burst."""

    procedures: Mapping[str, Procedure]
    workshop: str = ""
    voice: VoiceChoice = "page"
    listen: ListenChoice = "open"
    headset: bool = False
    keep_sound: bool = True
    practice: tuple[Practice, ...] = ()
    fast: bool = False
    setups: Mapping[str, Path] = field(default_factory=dict)
    camera_when_asked: bool = True
    keep_frames: bool = False


class Desk:
    """One bench. All methods may be called from any thread, and wait until they are done.

    Args:
        record: open for writing.
        settings: see there.
        listen: makes the recogniser's stream for a procedure.
        measure: makes the measurer for a procedure.
        tell: is shown what the page must know.
        pages: how many pages listen now.
        synthesiser: our voice's sound; None when there is none on this machine.
        microphone: a part of the name of this machine's microphone to use ("default": the usual one), or None.
        camera: takes pictures at this bench, or None.
    """

    def __init__(
        self,
        record: Record,
        settings: Settings,
        listen: Callable[[Procedure], Listener],
        measure: Callable[[Procedure], Measurer],
        tell: Callable[[Told], None],
        pages: Callable[[], int] = lambda: 0,
        synthesiser: Synthesiser | None = None,
        *,
        microphone: str | None = None,
        camera: FrameSource | None = None,
    ) -> None:
        self.record, self.settings = record, settings
        self._listen, self._measure, self._tell, self._pages = listen, measure, tell, pages
        self._synthesiser = synthesiser
        self._microphone = microphone
        self._lock = threading.RLock()
        self._live: Live | None = None
        self._ended: dict[str, Any] | None = None
        self.voice: Voice = NoVoice()
        self._shutter = (
            None
            if camera is None
            else Shutter(camera, lambda: self._live, asked=settings.camera_when_asked, keep=settings.keep_frames)
        )

    # The job's life.

    def open_job(self, procedure: str, technician: str, reference: str) -> None:
        """Open a new job.

        Raises:
            UsageError: there is no such procedure, no technician, or a job is live already.
        """
        with self._lock:
            self._must_be_free()
            if procedure not in self.settings.procedures:
                known = ", ".join(self.settings.procedures)
                raise UsageError(f"There is no procedure '{procedure}' here; choose one of {known}.")
            kind = self.settings.procedures[procedure]
            person = _field("technician", technician)
            session_id = new_id()
            clock = self._clock(session_id)
            session = Session(self.record, kind, new_id(), session_id, self._measure(kind), technician=person)
            owner = _field("reference", reference, needed=False)
            session.open(Header(person, self.settings.workshop, owner, self._facts()), clock.now())
            self._start(session, kind, clock, owner)

    def resume(self, job: str, technician: str) -> None:
        """Go on with a job that was left.

        Raises:
            UsageError: there is no such job, it is finished, or a job is live already.
        """
        with self._lock:
            self._must_be_free()
            found = load_job(self.record, job)
            if found.finished:
                raise UsageError("This job is finished; open it again and say why.")
            self._go_on(found, technician, "resumed", {})

    def reopen(self, job: str, technician: str, reason: str) -> None:
        """Open a finished job again.

        Raises:
            UsageError: no reason is given, the job is not finished, or a job is live already.
        """
        with self._lock:
            self._must_be_free()
            why = _field("reason", reason)
            found = load_job(self.record, job)
            if not found.finished:
                raise UsageError("This job is not finished; take it up as it is.")
            self._go_on(found, technician, "reopened", {"reason": why})

    def pause(self, why: str = "left") -> None:
        """Leave the job, to be taken up another time."""
        with self._lock:
            live = self.live
            live.close(lambda: live.session.mark("paused", {"why": why}, live.clock.now()))
            self._left(None)

    def finish(self) -> None:
        """Close the job's books."""
        with self._lock:
            live = self.live
            entries: tuple[Recorded, ...] = live.close(lambda: live.session.finish(live.clock.now()))
            self._left(_closing(live, entries))

    def hand_over(self, technician: str) -> None:
        """Somebody else goes on with the job."""
        live = self.live
        person = _field("technician", technician)

        def change() -> None:
            facts = {"technician": person, "from": live.session.technician}
            live.session.mark("handed_over", facts, live.clock.now())
            live.session.technician = person

        live.do(change)

    def reviewed(self, job: str) -> None:
        """A reviewer did something to a job; the page shows it."""
        live = self._live
        if live is not None and live.session.job == job:
            live.do(live.catch_up)
        self._tell(Told("changed", {}))

    def close(self) -> None:
        """The bench ends; a live job is left to be taken up."""
        with self._lock:
            if self._live is not None:
                self.pause("the bench was closed")
        if self._shutter is not None:
            self._shutter.close()

    # Pictures.

    def take_picture(self, view: str | None = None) -> tuple[Recorded, ...]:
        """Take a picture with the bench's camera, for the view that was asked for or for ``view``.

        Raises:
            UsageError: there is no camera or no job, or no such view.
            CaptureError: the camera gives no picture, or it could not be stored.
        """
        if self._shutter is None:
            raise UsageError("The bench has no camera; start it with --camera, or send a picture.")
        return self._shutter.take(view)

    # Sound.

    def listen_to(self, source: Source | None) -> None:
        """Take sound from this source."""
        self.live.listen_to(source)

    def practise(self, number: int) -> None:
        """Play one of the practice files.

        Raises:
            UsageError: there is none of this number.
        """
        live = self.live
        if not 0 <= number < len(self.settings.practice):
            raise UsageError("There is no practice sound of this number.")
        practice = self.settings.practice[number]
        live.listen_to(PracticeSource(practice, fast=self.settings.fast, ready=live.wait_for_room))

    def browser(self, rate: int) -> PushedSource:
        """Take sound from the page; ``rate`` in Hz is that of its int16 samples.

        Raises:
            UsageError: the rate is not one of a microphone.
        """
        if not 8_000 <= rate <= 192_000:
            raise UsageError(f"Sound at {rate} samples a second cannot be taken; 16000 is best.")
        source = PushedSource("the browser's microphone", rate)
        self.live.listen_to(source)
        return source

    # What is shown.

    @property
    def has_voice(self) -> bool:
        """Whether anything can be read back aloud."""
        return self._synthesiser is not None

    @property
    def has_job(self) -> bool:
        """Whether a job is live."""
        return self._live is not None

    @property
    def live(self) -> Live:
        """The live job.

        Raises:
            UsageError: there is none.
        """
        if self._live is None:
            raise UsageError("No job is open; open one first.")
        return self._live

    def board(self) -> dict[str, Any]:
        """What the page shows: the live job, or the jobs that can be opened."""
        live = self._live
        if live is not None:
            camera = "" if self._shutter is None else self._shutter.name
            practice = [p.name for p in self.settings.practice]
            return {"mode": "job", **live.board(), "practice": practice, "camera": camera}
        return {
            "mode": "start",
            "procedures": [
                {"id": id_, "name": f"{p.name}, {p.version}", "cautions": list(p.cautions)}
                for id_, p in self.settings.procedures.items()
            ],
            "jobs": [asdict(job) for job in recent_jobs(self.record)],
            "ended": self._ended,
            "troubles": [],
        }

    def _must_be_free(self) -> None:
        if self._live is not None:
            raise UsageError("A job is open at this bench; leave or finish it first.")

    def _clock(self, session: str, after: datetime | None = None) -> WallClock | SoundClock:
        return SoundClock(session, after) if self.settings.fast else WallClock(session)

    def _facts(self) -> dict[str, Any]:
        return {
            "bench": "live",
            "setups": {view: path.name for view, path in self.settings.setups.items()},
            "practice": [practice.name for practice in self.settings.practice],
            "camera": "" if self._shutter is None else self._shutter.name,
        }

    def _go_on(self, found: Resumable, technician: str, kind: str, facts: Mapping[str, Any]) -> None:
        person = _field("technician", technician or found.technician)
        measurer = self._measure(found.procedure)
        recorded, recovered = recover(self.record, found, self._listen, measurer, keep_sound=self.settings.keep_sound)
        session_id = new_id()
        clock = self._clock(session_id, found.rows[-1].when)
        session = Session(self.record, found.procedure, found.job, session_id, measurer, recorded, person)
        data = {"technician": person, **facts}
        if recovered.seconds:
            data |= {"recovered_utterances": recovered.utterances, "recovered_seconds": recovered.seconds}
        session.mark(kind, data, clock.now())
        self._start(session, found.procedure, clock, found.reference)

    def _start(self, session: Session, procedure: Procedure, clock: WallClock | SoundClock, reference: str) -> None:
        from capture.phrases import vocabulary

        self._ended = None
        self.voice = self._made_voice()
        try:
            listener: Listener = self._listen(procedure)
            deaf = ""
        except CaptureError as error:
            listener, deaf = _Deaf(), f"Nothing can be heard: {error} Everything can be typed."
        self._live = Live(
            self.record,
            session,
            procedure,
            listener,
            clock,
            self.voice,
            self._tell,
            vocabulary=vocabulary(procedure),
            reference=reference,
            gated=not self.settings.headset,
            keep_sound=self.settings.keep_sound,
            held=self.settings.listen == "held",
            asked=(lambda view: None) if self._shutter is None else self._shutter.on_asked,
        )
        if deaf:
            self._live.warn("recogniser", deaf)
        if self._microphone is not None:
            self._use_microphone(self._live, self._microphone)
        self._tell(Told("changed", {}))

    def _use_microphone(self, live: Live, name: str) -> None:
        from capture.bench.microphone import Microphone

        try:
            live.listen_to(Microphone("" if name == "default" else name))
        except CaptureError as error:
            live.warn("microphone", str(error))

    def _made_voice(self) -> Voice:
        player = MachineVoice.player()
        if self._synthesiser is None or self.settings.voice == "off" or self.settings.fast:
            return NoVoice()
        if self.settings.voice == "machine" and player is not None:
            return MachineVoice(self._synthesiser, player)
        return PageVoice(self._synthesiser, self._play)

    def _play(self, number: int) -> bool:
        self._tell(Told("say", {"number": number}))
        return self._pages() > 0

    def _left(self, ended: dict[str, Any] | None) -> None:
        self._live = None
        self.voice = NoVoice()
        self._ended = ended
        self._tell(Told("changed", {}))


class _Deaf:
    """Stands in when no recogniser can be had: hears nothing."""

    partial = ""

    def accept(self, pcm: bytes) -> list[Any]:
        return []

    def finish(self) -> list[Any]:
        return []


def _closing(live: Live, entries: tuple[Recorded, ...]) -> dict[str, Any]:
    end = next((one for one in entries if one.entry.kind == "job_end"), None)
    missing = [] if end is None else [f"{need['name']} {need['why']}" for need in end.entry.data["missing"]]
    return {
        "job": live.session.job,
        "missing": missing,
        "warnings": [w for one in entries for w in card(live.procedure, one, {})["warnings"]],
    }


def _field(name: str, text: str, *, needed: bool = True) -> str:
    cleaned = " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())
    if needed and not cleaned:
        raise UsageError(f"The {name} is missing; write it into its field.")
    if len(cleaned) > LONGEST_FIELD:
        raise UsageError(f"The {name} is longer than {LONGEST_FIELD} characters; shorten it.")
    return cleaned
