"""The forms of all statements: one table from which parsing, sentences, vocabulary and reference are made."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from random import Random
from typing import Any, Literal

from capture.phrases import builders as make
from capture.phrases.amounts import Amounts
from capture.phrases.grammar import Slot, Taken, Template, Words
from capture.phrases.names import Dependent, Names, names
from capture.phrases.slots import Codes, Counts, Dates, Rest
from capture.phrases.statements import Said
from capture.procedure import language as lang
from capture.procedure.inside import phrases
from capture.procedure.model import Procedure

Edge = Literal["closed", "open"]
"""``open``: unexplained words at this side may belong to the value, so that it is then not taken."""


@dataclass(frozen=True)
class Form:
    """One way of saying one kind of statement. ``weight``: share in generated sentences, 0 if only taken."""

    kind: str
    template: str
    build: Callable[[make.Spot, Mapping[str, Any]], Said | None]
    weight: float
    left: Edge = "closed"
    right: Edge = "open"


FORMS: tuple[Form, ...] = (
    Form("reading", "{reading} [{link}] {amount}", make.reading, 40),
    Form("turn", "[{turn}] [the] {counter} [{link}] {direction} [by] {amount}", make.turn, 8),
    Form("turn", "[{turn}] [the] {counter} [{link}] [by] {amount} {direction}", make.turn, 4, right="closed"),
    Form("turn", "{amount} {direction} [on] [the] {counter}", make.turn, 2, left="open", right="closed"),
    Form("turn", "{direction} [the] {counter} [by] {amount}", make.turn, 0, left="open"),
    Form("check", "{check} [{link}] {answer}", make.check, 10),
    Form("part", "[{count}] [{age}] {part} {action}", make.part, 5, left="open", right="closed"),
    Form("part", "[{count}] [{age}] {part} {fitted} {lot} {code}", make.part, 5, left="open"),
    Form("part", "[{count}] [{age}] {part} {lot} {code} {fitted}", make.part, 2, left="open", right="closed"),
    Form("part", "{action} [the] [{count}] [{age}] {part}", make.part, 3, right="closed"),
    Form("part", "{fitted} [the] [{count}] [{age}] {part} {lot} {code}", make.part, 3),
    Form("instrument", "[{using} [the]] {instrument} [{serial}] {code} {due} {date}", make.instrument, 5),
    Form("instrument", "{using} [the] {instrument} [{serial}] {code}", make.instrument, 2),
    Form("instrument", "{instrument} {serial} {code}", make.instrument, 1),
    Form("instrument", "{using} [the] {instrument}", make.bare_instrument, 1),
    Form("instrument", "[{using} [the]] {instrument} [is] {due} {date}", make.instrument, 2),
    Form("identity", "{identity} [{link}] {code}", make.identity, 7),
    Form("stage", "{begin} {stage}", make.stage, 6, right="closed"),
    Form("stage", "{stage} stage", make.stage, 1, right="closed"),
    Form("photo", "{take} [of] [the] {photo}", make.photo, 4, right="closed"),
    Form("sign_off", "{sign} [as] [the] {role}", make.sign_off, 2, left="open"),
    Form("command", "{command}", make.command, 6, left="open"),
    Form("command", "{command} [the] {reading}", make.command, 3, left="open"),
    Form("note", "{note} {rest}", make.note, 3, right="closed"),
)

CORRECTION = names(lang.OPENERS["correction"])
HARMLESS = ("say_again", "read_back", "what_is_missing")
"""Commands that change nothing; unexplained words beside them do no harm."""


class Lexicon:
    """A procedure's forms, compiled, with the slots that its names fill."""

    def __init__(self, procedure: Procedure) -> None:
        self.procedure = procedure
        self._subjects = frozenset(
            form
            for items in (procedure.readings, procedure.counters, procedure.checks, procedure.parts,
                          procedure.identities, procedure.instruments)
            for item in items
            for form in phrases(item.spoken)
        )  # fmt: skip
        self._longest = max(map(len, self._subjects), default=0)
        self._numberlike = {form for form in self._subjects if form[0] in lang.NUMBER_WORDS | lang.SPELLING}
        self.slots = _slots(procedure, self)
        self.forms = tuple((form, Template(form.template, self.slots)) for form in FORMS if self._usable(form))
        self.correction = Names(CORRECTION)

    def boundary(self, words: tuple[str, ...], at: int) -> bool:
        """Whether a name that begins with a number word or a letter ("o ring", "c clip") begins at ``at``."""
        return any(words[at : at + len(form)] == form for form in self._numberlike)

    def subject(self, words: Words, at: int) -> int:
        """How many words the longest name of any subject has that begins at ``at``; 0 if there is none."""
        lengths = range(min(self._longest, len(words) - at), 0, -1)
        return next((length for length in lengths if words[at : at + length] in self._subjects), 0)

    def _usable(self, form: Form) -> bool:
        """Whether the procedure has names for every slot that the form needs."""
        return all(
            not isinstance(self.slots.get(name), Names) or self.slots[name].forms  # type: ignore[attr-defined]
            for name in ("reading", "counter", "check", "part", "instrument", "identity", "stage", "photo", "role")
            if f"{{{name}}}" in form.template
        )


def _named(items: Any) -> Names:
    return Names(_forms(items), favour_first=True)


def _forms(items: Any) -> dict[Words, Any]:
    return {words: item for item in items for words in phrases(item.spoken)}


class _Subjects(Names):
    """Names that begin statements. A name is never taken where a longer one stands: "torque" not in "torque wrench"."""

    def __init__(self, items: Any, lexicon: Lexicon) -> None:
        super().__init__(_forms(items), favour_first=True)
        self._subject = lexicon.subject

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, Any]]:
        """See `Slot.match`."""
        end = start + self._subject(words, start)
        if end > start and words[start:end] in self.forms:
            yield end, self.forms[words[start:end]]


class _Parts(_Subjects):
    """Names of parts; in samples, plural forms go with counts above one."""

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, Any]:
        """See `Slot.sample`."""
        plural = taken.get("count", 1) > 1
        fitting = [form for form in self.forms if form[-1].endswith("s") == plural]
        form = rng.choice(fitting or list(self.forms))
        return form, self.forms[form]


def _openers(*keys: str) -> Names:
    return Names({words: key for key in keys for words in phrases(lang.OPENERS[key])}, favour_first=len(keys) == 1)


def _slots(procedure: Procedure, lexicon: Lexicon) -> dict[str, Slot]:
    boundary = lexicon.boundary
    return {
        "reading": _Subjects(procedure.readings, lexicon),
        "counter": _Subjects(procedure.counters, lexicon),
        "check": _Subjects(procedure.checks, lexicon),
        "part": _Parts(procedure.parts, lexicon),
        "instrument": _Subjects(procedure.instruments, lexicon),
        "identity": _Subjects(procedure.identities, lexicon),
        "stage": _named(procedure.stages),
        "photo": _named(procedure.photos),
        "role": _named(procedure.roles),
        "answer": Dependent(
            "check",
            {c.id: {w: a.id for a in c.answers for w in phrases(a.spoken)} for c in procedure.checks},
        ),
        "direction": Dependent(
            "counter",
            {c.id: {w: d for d in c.directions for w in phrases(d.spoken)} for c in procedure.counters},
        ),
        "amount": Amounts(boundary, lexicon.subject),
        "code": Codes(boundary),
        "date": Dates(),
        "count": Counts(boundary),
        "rest": Rest(),
        "link": Names(names(lang.LINKS)),
        "lot": Names(names(lang.LOT), favour_first=True),
        "serial": Names(names(lang.SERIAL)),
        "due": Names(names(lang.DUE), favour_first=True),
        "age": Names(names((lang.OLD, lang.NEW))),
        "action": _openers("fitted", "removed"),
        "fitted": _openers("fitted"),
        "using": _openers("instrument"),
        "turn": _openers("turn"),
        "begin": _openers("stage"),
        "take": _openers("photo"),
        "sign": _openers("sign_off"),
        "note": _openers("note"),
        "command": _openers("disregard", "say_again", "confirm", "read_back", "what_is_missing"),
    }
