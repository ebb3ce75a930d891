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

from capture.bench.conversation_words import Cue, Line, cue_of, lines_of, question_of
from capture.judge.entry import Recorded
from capture.procedure.model import Procedure

MOST_TRIES = 2
"""How often a read-back is begun before it is left to the page."""

MOST_LINES = 6
"""How many lines may wait to be said; of more, the oldest read-backs, then answers, are left to the page."""


@dataclass(frozen=True)
class Heard:
    """An utterance came to its end and its words are known; it is not stored yet."""


@dataclass(frozen=True)
class Stored:
    """Entries of one utterance or picture are in the record. ``waiting`` are all entries that wait now."""

    entries: tuple[Recorded, ...]
    waiting: tuple[Recorded, ...] = ()


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
    """The state. ``saying`` is what our voice says now, ``queue`` what it will say, ``asked`` the ids of those waiting
    entries that were asked about, ``unheard`` the ids of entries whose read-back was never finished."""

    technician: bool = False
    saying: Line | None = None
    queue: tuple[Line, ...] = ()
    asked: frozenset[str] = frozenset()
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
            asked = talk.asked | _questions(talk.queue)
            return replace(talk, saying=None, queue=(), asked=asked, unheard=_noted(talk.unheard, left)), hush
        case Trouble():
            known = [line.text for line in (talk.saying, *talk.queue) if line is not None]
            if event.sentence in known:
                return talk, ()
            line = Line(event.sentence, "answer")
            after, actions = _go_on(replace(talk, queue=(line, *talk.queue)))
            return after, (Sound("warning"), *actions)


def _stored(talk: Talk, event: Stored, procedure: Procedure) -> tuple[Talk, tuple[Action, ...]]:
    settled = _replaced(event.entries)
    waiting = frozenset(held.id for held in event.waiting)
    kept = tuple(line for line in talk.queue if _still_matters(line, waiting, settled))
    queue = (*kept, *lines_of(event.entries, procedure))
    # One that was overtaken waits again when what overtook it is withdrawn.
    ahead = _questions((*queue, talk.saying) if talk.saying else queue)
    asked = talk.asked & waiting
    queue += tuple(question_of(held, procedure) for held in event.waiting if held.id not in asked | ahead)
    short = _shortened(queue)
    dropped = _read_backs([line for line in queue if line not in short])
    unheard = _noted(tuple(id_ for id_ in talk.unheard if id_ not in settled), dropped)
    after, actions = _go_on(replace(talk, queue=short, asked=asked, unheard=unheard))
    cue = cue_of(event.entries)
    return after, (*(() if cue is None else (Sound(cue),)), *actions)


def _began(talk: Talk) -> tuple[Talk, tuple[Action, ...]]:
    if talk.saying is None:
        return replace(talk, technician=True), ()
    cut = replace(talk.saying, tries=talk.saying.tries + 1)
    again = cut.weight == "question" or (cut.weight == "read_back" and cut.tries < MOST_TRIES)
    queue = (cut, *talk.queue) if again else talk.queue
    unheard = talk.unheard if again else _noted(talk.unheard, _read_backs((cut,)))
    return replace(talk, technician=True, saying=None, queue=queue, unheard=unheard), (Hush(),)


def _go_on(talk: Talk) -> tuple[Talk, tuple[Action, ...]]:
    if talk.technician or talk.saying is not None or not talk.queue:
        return talk, ()
    line, *rest = talk.queue
    asked = talk.asked | _questions((line,))
    return replace(talk, saying=line, queue=tuple(rest), asked=asked), (Say(line),)


def _still_matters(line: Line, waiting: frozenset[str], settled: frozenset[str]) -> bool:
    if line.weight == "question":
        return any(id_ in waiting for id_ in line.about)
    return not line.about or any(id_ not in settled for id_ in line.about)


def _shortened(queue: tuple[Line, ...]) -> tuple[Line, ...]:
    lines = list(queue)
    for weight in ("read_back", "answer"):
        for line in queue:
            if len(lines) > MOST_LINES and line.weight == weight:
                lines.remove(line)
    return tuple(lines)


def _replaced(entries: Sequence[Recorded]) -> frozenset[str]:
    return frozenset(one.entry.replaces for one in entries if one.entry.replaces is not None)


def _questions(lines: Sequence[Line]) -> frozenset[str]:
    return frozenset(id_ for line in lines if line.weight == "question" for id_ in line.about)


def _read_backs(lines: Sequence[Line]) -> list[str]:
    return [id_ for line in lines if line.weight == "read_back" for id_ in line.about]


def _noted(unheard: tuple[str, ...], ids: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*unheard, *ids)))
