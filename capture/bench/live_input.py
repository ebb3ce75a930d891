"""Which source is listened to, and whether at all."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from capture.bench.live_ear import Ear
from capture.bench.live_source import Source, SourceState
from capture.bench.live_types import Told

_NONE = ("none", "no microphone yet")


class SoundInput:
    """Joins one source at a time with the ear. Not for several threads at once, except for what the source calls.

    Args:
        ear: gets the sound.
        tell: is shown levels.
        trouble: is told when a source is lost, and with an empty sentence when it is back.
        held: begin shut; somebody holds a key for as long as they speak.
    """

    def __init__(
        self, ear: Ear, tell: Callable[[Told], None], trouble: Callable[[str], None], *, held: bool = False
    ) -> None:
        self._ear, self._tell, self._trouble = ear, tell, trouble
        self._source: Source | None = None
        self._state: tuple[str, str] = _NONE
        self._held = held
        self._listening = not held

    def listen_to(self, source: Source | None) -> None:
        """Take sound from another source; None: from none."""
        old, self._source = self._source, None
        if old is not None:
            old.stop()
            self._ear.flush()
        self._state = _NONE
        if source is not None:
            self._source = source
            source.start(lambda pcm: self._feed(source, pcm), lambda state, text: self._told(source, state, text))

    def set_listening(self, listening: bool) -> None:
        """Open or shut the microphone; what was being said when it is shut still comes to its end."""
        if self._listening and not listening:
            self._listening = False
            self._ear.flush()
        self._listening = listening

    def shown(self) -> dict[str, Any]:
        """For the page: the source's state and name, and whether it is listened to."""
        state, text = self._state
        return {"state": state, "text": text, "listening": self._listening, "held": self._held}

    def _feed(self, source: Source, pcm: bytes) -> None:
        if source is not self._source or not self._listening:
            return
        level = self._ear.feed(pcm)
        shown = {"rms": round(level.rms_db, 1), "floor": round(level.floor_db, 1), "peak": round(level.peak, 3)}
        self._tell(Told("level", {**shown, "speech": level.speech, "fault": level.fault}))

    def _told(self, source: Source, state: SourceState, sentence: str) -> None:
        if source is not self._source:
            return
        self._state = (state, sentence)
        if state == "ended":
            self._ear.flush()
        self._trouble(sentence if state == "lost" else "")
