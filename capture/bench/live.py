"""A live session: sound, typed lines and pictures of one job become entries, and the conversation about them is held.

One worker thread does everything that touches the recogniser, the session and the conversation, one event after
another; sources of sound, the page and our voice only put events into its queue. What was heard and could not be stored
(a full disk, say) waits, in order, and is tried again until it is stored.
"""

from __future__ import annotations

import queue
import sys
import threading
import traceback
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from typing import TYPE_CHECKING, Any, TypeVar

from capture.bench import conversation as talk
from capture.bench.live_board import job_board
from capture.bench.live_clock import Clock, SoundClock
from capture.bench.live_ear import Ear
from capture.bench.live_input import SoundInput
from capture.bench.live_keep import Keeper
from capture.bench.live_level import RATE
from capture.bench.live_own import OwnVoice
from capture.bench.live_source import Source
from capture.bench.live_spool import Spool, Timeline
from capture.bench.live_typed import typed_words
from capture.bench.live_types import Listener, Told
from capture.bench.session import Session
from capture.bench.voice import NoVoice, Voice
from capture.errors import CaptureError, UsageError
from capture.judge.entry import Recorded

if TYPE_CHECKING:
    from capture.procedure.model import Procedure
    from capture.record import Record
    from capture.speech.heard import Heard

_T = TypeVar("_T")
_RETRY_S = 1.0
_MOST_QUEUED = 200
_LATE_S = 6.0


class Live:
    """One job at the bench, live.

    Args:
        record: where it goes.
        session: the job's session, opened or resumed already.
        procedure: its kind of job.
        listener: the recogniser's stream.
        clock: the session's clock.
        voice: how sentences are said.
        tell: is shown whatever the page must know; called from several threads.
        vocabulary: words that may be typed.
        reference: the owner's reference of the job.
        gated: whether our voice can be heard by the microphone.
        keep_sound: whether all sound is kept in the record, or only that of utterances.
        held: whether the microphone is open only while a key is held.
        asked: is told the photo view whenever a picture is asked for aloud; must not wait for this.
    """

    def __init__(
        self,
        record: Record,
        session: Session,
        procedure: Procedure,
        listener: Listener,
        clock: Clock,
        voice: Voice,
        tell: Callable[[Told], None],
        *,
        vocabulary: frozenset[str] = frozenset(),
        reference: str = "",
        gated: bool = True,
        keep_sound: bool = True,
        held: bool = False,
        asked: Callable[[str], None] = lambda view: None,
    ) -> None:
        self.reference = reference
        self._asked = asked
        self._record, self.session, self.procedure = record, session, procedure
        self._listener, self.clock, self._voice, self._tell = listener, clock, voice, tell
        self._vocabulary = vocabulary
        self._queue: queue.Queue[tuple[str, Any]] = queue.Queue()
        self._talk = talk.Talk()
        self._pending: deque[Heard] = deque()
        self._latest: tuple[Recorded, ...] = ()
        self._pictures: dict[str, str] = {}
        self._troubles: dict[str, str] = {}
        self._own = OwnVoice()
        self._number = 0
        self._handed = 0
        self._partial = self._busy = ""
        self._timeline = Timeline(session.session)
        self._spool = Spool(record.folder, session.session, {"job": session.job, "technician": session.technician})
        self._keeper = Keeper(session, self._spool, self._timeline, keep_sound)
        self.ear = Ear(
            self._spool,
            self._timeline,
            clock,
            gated=gated,
            hand_on=lambda pcm: self._queue.put(("sound", pcm)),
            speech=lambda began: self._queue.put(("speech", began)),
            trouble=lambda sentence: self._queue.put(("trouble", ("disk", sentence))),
        )
        self._input = SoundInput(
            self.ear, tell, lambda sentence: self._queue.put(("trouble", ("microphone", sentence))), held=held
        )
        self._begun = clock.now().mono
        self._worker = threading.Thread(target=self._run, name="bench", daemon=True)
        self._worker.start()
        self.do(lambda: None)

    # What the page and the sources call, from any thread.

    def listen_to(self, source: Source | None) -> None:
        """Take sound from another source; None: from none."""
        self._input.listen_to(source)
        self.do(lambda: None)

    def set_listening(self, listening: bool) -> None:
        """Open or shut the microphone (a key, or held for as long as one speaks)."""
        self._input.set_listening(listening)
        self.do(lambda: None)

    def typed(self, line: str) -> tuple[Recorded, ...]:
        """Take a typed line, or the words of a key; returns what it became.

        Raises:
            UsageError: the line is empty.
            CaptureError: it could not be stored.
        """
        words = typed_words(line, self._vocabulary)
        if not words:
            raise UsageError("The line is empty; type what you would say.")
        return self.do(lambda: self._take(lambda: self.session.typed(words, self.clock.now(), line.strip())))

    def photo(
        self,
        data: bytes,
        media_type: str,
        view: str | None,
        name: str,
        device: str = "",
        *,
        more: Sequence[bytes] = (),
        keep: bool = False,
        facts: Mapping[str, Any] | None = None,
    ) -> tuple[Recorded, ...]:
        """Take a picture; for the photo view that was asked for, or for ``view``. ``device`` sent it, where known.

        ``more`` are other frames of the same view, kept when ``keep``; ``facts`` are kept with it.

        Raises:
            UsageError: there is no such view.
            CaptureError: it could not be stored.
        """
        if view is not None and all(view != known.id for known in self.procedure.photos):
            raise UsageError(f"There is no photo view '{view}'; choose one of the procedure's.")
        known = {"name": name, "time_from": "arrival"} | ({"device": device} if device else {}) | dict(facts or {})

        def take() -> tuple[Recorded, ...]:
            moment = self.clock.now()
            self._busy = "The picture is being measured."
            self._show()
            try:
                return self._take(
                    lambda: self.session.photo(data, media_type, moment, view=view, facts=known, more=more, keep=keep)
                )
            finally:
                self._busy = ""

        return self.do(take)

    def hush(self) -> None:
        """Stop our voice."""
        self.do(lambda: self._converse(talk.Silence()))

    def warn(self, about: str, sentence: str) -> None:
        """Show a trouble until it is cleared with an empty sentence."""
        self._queue.put(("trouble", (about, sentence)))

    def do(self, action: Callable[[], _T]) -> _T:
        """Have the worker do something, and wait for it."""
        done: Future[_T] = Future()
        self._queue.put(("do", (action, done)))
        return done.result()

    def close(self, last: Callable[[], _T]) -> _T:
        """End: no more sound, everything heard stored, the sound kept; then ``last`` writes its rows.

        Raises:
            CaptureError: something could not be stored; the session goes on then.
        """
        self.listen_to(None)
        result = self.do(lambda: self._close(last))
        self._queue.put(("stop", None))
        self._worker.join(timeout=5)
        return result

    def wait_for_room(self) -> None:
        """Wait until the worker has caught up with the sound (for practice faster than time)."""
        while self._queue.qsize() > _MOST_QUEUED:
            self.do(lambda: None)

    @property
    def idle(self) -> bool:
        """Whether everything that came in has been dealt with."""
        return self._queue.empty() and not self._pending

    # The worker.

    def _run(self) -> None:
        while True:
            try:
                kind, what = self._queue.get(timeout=_RETRY_S)
            except queue.Empty:
                kind, what = "tick", None
            if kind == "stop":
                return
            try:
                self._handle(kind, what)
            except CaptureError as error:
                self._trouble("record", str(error))
            except Exception:
                traceback.print_exc(file=sys.stderr)
                self._trouble("program", "A fault of the program; it is written on its terminal. Go on, and report it.")

    def _handle(self, kind: str, what: Any) -> None:
        if kind == "sound":
            self._sound(what)
        elif kind == "speech":
            self._converse(talk.SpeechBegan() if what else talk.SpeechEnded())
        elif kind == "voice":
            self._voice_done(what)
        elif kind == "trouble":
            self._trouble(*what)
        elif kind == "do":
            action, done = what
            try:
                done.set_result(action())
            except BaseException as error:
                done.set_exception(error)
            self._show()
        elif kind == "tick":
            self.catch_up()
            self._store_pending()
            self._keeper.keep(self._handed if not self._pending else 0)

    def catch_up(self) -> None:
        """Show what a reviewer did to the job meanwhile; for the worker."""
        if self.session.catch_up():
            self._show()

    def _sound(self, pcm: bytes) -> None:
        self._handed += len(pcm) // 2
        for heard in self._listener.accept(pcm):
            self._utterance(heard)
        self._look_behind()
        partial = self._listener.partial
        if partial != self._partial:
            self._partial = partial
            self._tell(Told("partial", {"text": partial}))

    def _look_behind(self) -> None:
        """Say when the recogniser cannot keep up (practice faster than time sets its own pace)."""
        if isinstance(self.clock, SoundClock):
            return
        late = (self.ear.samples - self._handed) / RATE
        if late > _LATE_S:
            self._trouble("late", "Hearing is some seconds behind; pause a moment and close other programs.")
        elif late < _LATE_S / 5:
            self._trouble("late", "")

    def _utterance(self, heard: Heard) -> None:
        self._partial = ""
        self._converse(talk.Heard())
        self._pending.append(self._own.marked(heard, self.ear.samples, loud=self.ear.hears_us))
        self._store_pending()
        self._keeper.keep(self._handed if not self._pending else 0)

    def _store_pending(self) -> None:
        while self._pending:
            heard = self._pending[0]
            moment = self._timeline.moment(heard.words[0].start_s if heard.words else heard.start_s)
            try:
                entries = self.session.hear(heard, moment)
            except CaptureError as error:
                self._trouble("record", f"Heard but not stored: {error}")
                return
            self._pending.popleft()
            self._stored(entries)

    def _take(self, store: Callable[[], tuple[Recorded, ...]]) -> tuple[Recorded, ...]:
        self._store_pending()
        if self._pending:
            raise CaptureError(self._troubles.get("record", "Earlier words wait to be stored; free the disk."))
        entries = store()
        self._stored(entries)
        return entries

    def _stored(self, entries: tuple[Recorded, ...]) -> None:
        self._trouble("record", "")
        self._latest = entries
        for one in entries:
            if one.entry.kind == "photo_asked" and one.entry.subject:
                self._asked(one.entry.subject)
            if one.entry.kind in {"photo", "reading"} and one.entry.data.get("via") != "voice":
                media = {ref.kind: ref.sha256 for ref in self._record.row(one.id).media}
                shown = media.get("overlay") or media.get("photo")
                if shown:
                    self._pictures[one.id] = shown
        waiting = tuple(Recorded(held.id, held.entry, held.moment) for held in self.session.view.waiting())
        self._converse(talk.Stored(entries, waiting))

    def _converse(self, event: talk.Event) -> None:
        self._talk, actions = talk.step(self._talk, event, self.procedure)
        for action in actions:
            match action:
                case talk.Sound(cue):
                    self._tell(Told("cue", {"cue": cue}))
                case talk.Hush():
                    self._voice.hush()
                    self._own.ends(self.ear.voice_stops())
                case talk.Say(line):
                    self._say(line.text)
        self._show()

    def _say(self, text: str) -> None:
        self._number += 1
        number = self._number
        pcm = self._voice.say(text, number, lambda done: self._queue.put(("voice", done)))
        begin = self.ear.voice_begins(pcm)
        if pcm:
            self._own.begins(text, begin)

    def _voice_done(self, number: int) -> None:
        if number == self._number and self._talk.saying is not None:
            self._own.ends(self.ear.voice_stops())
            self._converse(talk.VoiceDone())

    def _close(self, last: Callable[[], _T]) -> _T:
        for heard in self._listener.finish():
            self._utterance(heard)
        self._store_pending()
        if self._pending:
            raise CaptureError(self._troubles["record"])
        self._voice.hush()
        self.ear.close()
        self._keeper.keep_all()
        return last()

    # What is shown.

    def _trouble(self, about: str, sentence: str) -> None:
        if self._troubles.get(about, "") == sentence:
            return
        if sentence:
            self._troubles[about] = sentence
            self._converse(talk.Trouble(sentence))
        else:
            self._troubles.pop(about, None)
        self._show()

    def _show(self) -> None:
        self._tell(Told("changed", {}))

    def board(self) -> dict[str, Any]:
        """Everything that the page shows."""
        view = self.session.view
        return {
            "job": self.session.job,
            "technician": self.session.technician,
            "procedure": self.procedure.name,
            "reference": self.reference,
            "cautions": list(self.procedure.cautions),
            "views": [{"id": view.id, "name": view.name} for view in self.procedure.photos],
            "elapsed_s": round(max(0.0, self.clock.now().mono - self._begun), 1),
            **job_board(self.procedure, view, self._latest, self._pictures),
            "asked": self.session.asked,
            "saying": "" if self._talk.saying is None else self._talk.saying.text,
            "busy": self._busy,
            "unheard": 0 if isinstance(self._voice, NoVoice) else len(self._talk.unheard),
            "partial": self._partial,
            "troubles": list(self._troubles.values()),
            "unstored": len(self._pending),
            "sound": self._input.shown(),
        }
