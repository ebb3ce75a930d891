"""Words to statements.

From left to right the longest form that matches is taken; what matches none is kept as not understood. Then each piece
is looked at beside its neighbours: where unexplained words stand at an open side of a value, the value may be
incomplete, and it becomes a refusal. Every word ends up inside the span of exactly one statement.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from capture.phrases import builders as make
from capture.phrases import statements as st
from capture.phrases.forms import HARMLESS, Form, Lexicon
from capture.phrases.settle import Piece, settle
from capture.phrases.statements import Context, Statement
from capture.procedure import language as lang
from capture.procedure.inside import canonical
from capture.procedure.model import Procedure, Reading

_BARE = Form("reading", "{amount}", make.reading, 0, left="open")


def parse(words: Sequence[str], procedure: Procedure, context: Context | None = None) -> tuple[Statement, ...]:
    """What ``words`` (one utterance, as heard or typed) say in this procedure.

    Pure; any words are taken. The spans of the statements follow one another and cover all words.
    """
    return parse_with(lexicon_of(procedure), words, context or Context())


_latest: list[Lexicon] = []


def lexicon_of(procedure: Procedure) -> Lexicon:
    """The procedure's forms compiled; those of the procedure asked for last are kept."""
    if not _latest or _latest[0].procedure is not procedure:
        _latest[:] = [Lexicon(procedure)]
    return _latest[0]


def parse_with(lexicon: Lexicon, words: Sequence[str], context: Context) -> tuple[Statement, ...]:
    """`parse` with the procedure's forms compiled once for many utterances."""
    return settle(tuple(words), _Parser(lexicon, words, context).pieces())


class _Parser:
    def __init__(self, lexicon: Lexicon, words: Sequence[str], context: Context) -> None:
        self._lexicon, self._heard = lexicon, tuple(words)
        inside = [(piece, at) for at, word in enumerate(words) for piece in canonical(word)]
        self._words = tuple(piece for piece, _ in inside)
        self._source = [at for _, at in inside]
        self._field = context.last_field

    def pieces(self) -> list[Piece]:
        pieces: list[Piece] = []
        at, loose = 0, 0
        while at < len(self._words):
            begin = self._after_joiners(at)
            piece = self._piece(begin, first=not pieces and loose == at, correcting=_corrects(pieces, loose == at))
            if piece is None or begin >= len(self._words):
                at = max(at + 1, begin if begin < len(self._words) else at + 1)
                continue
            if loose < at:
                pieces.append(self._unknown(loose, at))
            pieces.append(replace(piece, start=self._source[at], joiners=self._words[at:begin]))
            at = loose = piece.token_end
        if loose < len(self._words):
            if pieces and self._after_joiners(loose) == len(self._words):
                pieces[-1] = replace(pieces[-1], end=len(self._heard))
            else:
                pieces.append(self._unknown(loose, len(self._words)))
        return pieces

    def _after_joiners(self, at: int) -> int:
        while at < len(self._words) and self._words[at] in lang.JOINERS:
            at += 1
        return at

    def _piece(self, at: int, *, first: bool, correcting: bool) -> Piece | None:
        if at >= len(self._words):
            return None
        for end, _ in self._lexicon.correction.match(self._words, at, {}):
            return self._made(at, end, "correction", None)
        best = max(
            self._matches(at, first=first, correcting=correcting), key=lambda piece: piece.token_end, default=None
        )
        best = best or self._stumble(at)
        if best and isinstance(best.statement, st.ReadingSaid | st.Refused) and best.statement.field:
            self._field = best.statement.field
        return best

    def _matches(self, at: int, *, first: bool, correcting: bool) -> Iterator[Piece]:
        for form, template in self._lexicon.forms:
            for end, taken in template.match(self._words, at):
                if form.kind == "command" and self._begins_reading(end, taken):
                    continue
                if (statement := form.build(self._spot(at, end), taken)) is not None:
                    yield self._found(at, end, form, statement, taken)
        if first:
            yield from self._bare_stage(at)
        if (first or correcting) and (field := self._bare_field()):
            begin = at
            for after, _ in self._lexicon.slots["link"].match(self._words, at, {}):
                begin = after
            for end, amount in self._lexicon.slots["amount"].match(self._words, begin, {}):
                taken = {"reading": field, "amount": amount}
                yield self._found(at, end, _BARE, make.reading(self._spot(at, end), taken), taken)
        yield from self._only_photo(at)

    def _begins_reading(self, end: int, taken: dict[str, Any]) -> bool:
        """Whether a command's field is rather the beginning of a reading: "say again: lever height two ..."."""
        if "reading" not in taken or taken["command"] not in HARMLESS:
            return False
        begins = {end, *(after for after, _ in self._lexicon.slots["link"].match(self._words, end, {}))}
        return any(
            amount.unit in taken["reading"].units or after == len(self._words)
            for begin in begins
            for after, amount in self._lexicon.slots["amount"].match(self._words, begin, {})
        )

    def _bare_field(self) -> Reading | None:
        """The reading that a value without a name belongs to."""
        return next((r for r in self._lexicon.procedure.readings if r.id == self._field), None)

    def _bare_stage(self, at: int) -> Iterator[Piece]:
        """A stage's name by itself, as the whole utterance."""
        for end, stage in self._lexicon.slots["stage"].match(self._words, at, {}):
            if self._after_joiners(end) == len(self._words):
                statement = make.stage(self._spot(at, end), {"stage": stage})
                yield self._made(at, end, "found", statement)

    def _only_photo(self, at: int) -> Iterator[Piece]:
        """ "photo", where the procedure knows one view only."""
        photos = self._lexicon.procedure.photos
        if len(photos) == 1:
            for end, _ in self._lexicon.slots["take"].match(self._words, at, {}):
                yield self._made(at, end, "found", make.photo(self._spot(at, end), {"photo": photos[0]}))

    def _stumble(self, at: int) -> Piece | None:
        """A name or an opening word whose statement does not go on as it should."""
        slots = self._lexicon.slots
        begins = {
            at,
            *(self._after_joiners(end) for slot in OPENING for end, _ in slots[slot].match(self._words, at, {})),
        }
        named = [
            (end, slot, meaning)
            for begin in begins
            for slot in STUMBLES
            for end, meaning in slots[slot].match(self._words, begin, {})
        ]
        if not named:
            return None
        end, slot, meaning = max(named, key=lambda name: name[0])
        reason, sentence = _stumbled(slot, meaning, self._lexicon.procedure)
        field = meaning.id if slot in ("reading", "identity") else None
        piece = self._made(at, end, "stumble", self._spot(at, end).refused(reason, sentence, field))
        return replace(piece, uncounted=slot == "part")

    def _found(self, at: int, end: int, form: Form, statement: Statement, taken: dict[str, Any]) -> Piece:
        left, right = form.left == "open", form.right == "open"
        if _ended_by_unit(form, statement, taken.get("amount")):
            right = False
        if form.kind == "command" and taken["command"] in HARMLESS:
            left = right = False
        uncounted = form.template.startswith("{amount}") or (
            form.template.startswith("[{count}]") and "count" not in taken
        )
        return replace(self._made(at, end, "found", statement), left_open=left, right_open=right, uncounted=uncounted)

    def _made(self, at: int, end: int, kind: Any, statement: Statement | None) -> Piece:
        spot = self._spot(at, end)
        inside = self._words[at:end]
        return Piece(kind, spot.span[0], spot.span[1], token_end=end, statement=statement, inside=inside)

    def _unknown(self, at: int, end: int) -> Piece:
        return self._made(at, end, "unknown", None)

    def _spot(self, at: int, end: int) -> make.Spot:
        span = (self._source[at], self._source[end - 1] + 1)
        return make.Spot(words=" ".join(self._heard[span[0] : span[1]]), span=span)


def _ended_by_unit(form: Form, statement: Statement, amount: Any) -> bool:
    """Whether the unit that was said ends the value: seconds may follow minutes, a second word the "degrees" of a
    temperature, the right way one that was said first."""
    unit = getattr(amount, "unit", None)
    assumed = getattr(statement, "unit_assumed", False)
    return unit not in (None, "min") and not assumed and not form.template.startswith("{direction}")


def _corrects(pieces: list[Piece], adjacent: bool) -> bool:
    return bool(pieces) and pieces[-1].kind == "correction" and adjacent


OPENING = ("using", "turn", "action")
"""Slots of words that may stand before a name."""

STUMBLES = ("reading", "counter", "check", "part", "instrument", "identity", "begin", "take", "sign", "note")


def _stumbled(slot: str, meaning: Any, procedure: Procedure) -> tuple[str, str]:
    """Reason and sentence for a statement that broke off after a name or an opening word."""
    match slot:
        case "reading":
            return "value_missing", f"{meaning.name}: no value was understood; say the name, the number and its unit."
        case "counter":
            ways = " or ".join(direction.spoken[0] for direction in meaning.directions)
            return "bad_turn", f"{meaning.name}: say which way ({ways}) and how far, such as 'a quarter turn'."
        case "check":
            answers = ", ".join(answer.spoken[0] for answer in meaning.answers)
            return "answer_missing", f"{meaning.name}: no known answer was understood; say one of: {answers}."
        case "part":
            return (
                "bad_part",
                f"{meaning.name}: say how many, the part, 'fitted' or 'removed', and the lot if it is new.",
            )
        case "instrument":
            return "bad_instrument", (
                f"{meaning.name}: say 'using', its name and its number spelled, then 'calibration due' "
                "with the full year."
            )
        case "identity":
            return "bad_identity", f"{meaning.name}: nothing that can be spelled was understood; spell it again."
        case "begin":
            return "stage_unknown", f"Say one of the stages: {_spoken(procedure.stages)}."
        case "take":
            return "view_unknown", f"Say one of the views: {_spoken(procedure.photos)}."
        case "sign":
            return "role_unknown", f"Say one of the roles: {_spoken(procedure.roles)}."
    return "note_empty", "Nothing was noted; say 'note' and what is to be kept, without a pause."


def _spoken(items: Any) -> str:
    return ", ".join(item.spoken[0] for item in items) or "none"
