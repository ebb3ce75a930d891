"""The conversation at the bench: a state machine from what happened to what is said and sounded. Pure, without sound.

Rules it keeps:

- Nothing is said while the technician speaks. Who begins to speak stops our voice (``Hush``); what was cut off and
  still matters is said again afterwards: a question always, a read-back once more.
- A value that stands is read back; one that waits is asked about until it is confirmed, corrected or withdrawn. A
  question never blocks the next reading, is put in full once, and never lapses into acceptance: silence is not
  confirmation. It stays on the page, and whoever asks what is missing hears of it.
- What was settled meanwhile is not asked any more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

from capture.bench.conversation_words import Cue, Line, cue_of, lines_of
from capture.judge.entry import Recorded
from capture.procedure.model import Procedure

MOST_TRIES = 2
"""How often a read-back is begun before it is left to the page."""

MOST_LINES = 6
"""How many lines may wait to be said; of more, the oldest read-backs are left to the page."""


@dataclass(frozen=True)
class Heard:
    """An utterance came to its end and its words are known; it is not stored yet."""


@dataclass(frozen=True)
class Stored:
    """Entries of one utterance or picture are in the record. ``waiting`` are the ids of all entries that wait."""

    entries: tuple[Recorded, ...]
    waiting: frozenset[str] = frozenset()


@dataclass(frozen=True)
class SpeechBegan:
    """The technician begins to speak."""


@dataclass(frozen=True)
class SpeechEnded:
    """The technician is silent again."""


@dataclass(frozen=True)
class VoiceDone:
    """Our voice came to the end of what it said."""


@dataclass(frozen=True)
class Silence:
    """Somebody pressed the key that stops our voice; what was to be said is left to the page."""


@dataclass(frozen=True)
class Trouble:
    """Something that the technician must know at once (``sentence`` says what and what to do)."""

    sentence: str


Event: TypeAlias = Heard | Stored | SpeechBegan | SpeechEnded | VoiceDone | Silence | Trouble


@dataclass(frozen=True)
class Say:
    """Say this line now."""

    line: Line


@dataclass(frozen=True)
class Hush:
    """Stop our voice at once."""


@dataclass(frozen=True)
class Sound:
    """Give this sound."""

    cue: Cue


Action: TypeAlias = Say | Hush | Sound


@dataclass(frozen=True)
class Talk:
    """The state. ``saying`` is what our voice says now, ``queue`` what it will say, ``unheard`` the ids of entries
    whose read-back was never finished."""

    technician: bool = False
    saying: Line | None = None
    queue: tuple[Line, ...] = ()
    unheard: tuple[str, ...] = ()


def step(talk: Talk, event: Event, procedure: Procedure) -> tuple[Talk, tuple[Action, ...]]:
    """What follows from one event.

    Returns:
        The new state and what is to be done, in this order.
    """
    match event:
        case Heard():
            return talk, (Sound("heard"),)
        case Stored():
            return _stored(talk, event, procedure)
        case SpeechBegan():
            return _began(talk)
        case SpeechEnded():
            return _go_on(replace(talk, technician=False))
        case VoiceDone():
            return _go_on(replace(talk, saying=None))
        case Silence():
            left = _read_backs(() if talk.saying is None else (talk.saying,)) + _read_backs(talk.queue)
            hush: tuple[Action, ...] = () if talk.saying is None else (Hush(),)
            return replace(talk, saying=None, queue=(), unheard=_noted(talk.unheard, left)), hush
        case Trouble():
            known = [line.text for line in (talk.saying, *talk.queue) if line is not None]
            if event.sentence in known:
                return talk, ()
            line = Line(event.sentence, "answer")
            after, actions = _go_on(replace(talk, queue=(line, *talk.queue)))
            return after, (Sound("warning"), *actions)


def _stored(talk: Talk, event: Stored, procedure: Procedure) -> tuple[Talk, tuple[Action, ...]]:
    settled = _replaced(event.entries)
    queue = tuple(line for line in talk.queue if _still_matters(line, event.waiting, settled))
    queue = _shortened((*queue, *lines_of(event.entries, procedure)))
    dropped = [line for line in talk.queue if line not in queue and line.weight == "read_back"]
    unheard = tuple(id_ for id_ in talk.unheard if id_ not in settled)
    talk = replace(talk, queue=queue, unheard=_noted(unheard, [i for line in dropped for i in line.about]))
    after, actions = _go_on(talk)
    return after, (Sound(cue_of(event.entries)), *actions)


def _began(talk: Talk) -> tuple[Talk, tuple[Action, ...]]:
    if talk.saying is None:
        return replace(talk, technician=True), ()
    cut = replace(talk.saying, tries=talk.saying.tries + 1)
    again = cut.weight == "question" or (cut.weight == "read_back" and cut.tries < MOST_TRIES)
    queue = (cut, *talk.queue) if again else talk.queue
    unheard = talk.unheard if again else _noted(talk.unheard, _read_backs((cut,)))
    return Talk(True, None, queue, unheard), (Hush(),)


def _go_on(talk: Talk) -> tuple[Talk, tuple[Action, ...]]:
    if talk.technician or talk.saying is not None or not talk.queue:
        return talk, ()
    line, *rest = talk.queue
    return replace(talk, saying=line, queue=tuple(rest)), (Say(line),)


def _still_matters(line: Line, waiting: frozenset[str], settled: frozenset[str]) -> bool:
    if line.weight == "question":
        return any(id_ in waiting for id_ in line.about)
    return not line.about or any(id_ not in settled for id_ in line.about)


def _shortened(queue: tuple[Line, ...]) -> tuple[Line, ...]:
    lines = list(queue)
    for line in queue:
        if len(lines) <= MOST_LINES:
            break
        if line.weight == "read_back":
            lines.remove(line)
    return tuple(lines)


def _replaced(entries: Sequence[Recorded]) -> frozenset[str]:
    return frozenset(one.entry.replaces for one in entries if one.entry.replaces is not None)


def _read_backs(lines: Sequence[Line]) -> list[str]:
    return [id_ for line in lines if line.weight == "read_back" for id_ in line.about]


def _noted(unheard: tuple[str, ...], ids: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*unheard, *ids)))
