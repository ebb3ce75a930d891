"""What the rooms of the live bench hand to one another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from capture.speech.heard import Heard


class Listener(Protocol):
    """A streaming recogniser, as ``capture.speech.Recogniser`` is."""

    def accept(self, pcm: bytes) -> list[Heard]:
        """Take int16 sound at 16 kHz; the utterances that ended in it, times counted from the stream's begin."""

    def finish(self) -> list[Heard]:
        """The sound is over; what was still open."""

    @property
    def partial(self) -> str:
        """The words of the utterance that is being spoken, so far."""


@dataclass(frozen=True)
class Told:
    """What the page is told: ``kind`` is changed (look at the board), level, partial, cue or say."""

    kind: str
    data: Mapping[str, Any]
