"""Sentences that people may say in a procedure, with what they mean: drawn from the same forms that parse them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from random import Random

from capture.phrases import builders as make
from capture.phrases import statements as st
from capture.phrases.forms import Form, Lexicon
from capture.phrases.grammar import Words
from capture.phrases.statements import Context, Statement
from capture.procedure import language as lang
from capture.procedure.inside import canonical
from capture.procedure.model import Procedure

JOINER_SHARE, CORRECTION_SHARE, TWO_SHARE, BARE_SHARE = 0.06, 0.06, 0.12, 0.08
"""How often an utterance begins with a word without meaning, is a correction, holds two statements, is a value only."""

_CORRECTABLE = ("reading", "turn", "check", "part", "identity", "instrument")


def sentences(procedure: Procedure, seed: int, count: int) -> list[tuple[str, Statement]]:
    """``count`` utterances of one statement each, with that statement: `parse` of the words gives exactly it.

    The same procedure, seed and count give the same list. All kinds of statements occur, readings most.
    """
    drawer = _Drawer(procedure, Random(seed))
    return [drawer.sentence() for _ in range(count)]


def utterances(procedure: Procedure, seed: int, count: int) -> list[tuple[str, Context, tuple[Statement, ...]]]:
    """``count`` utterances as people string them together: one statement mostly, sometimes two, a value that is
    corrected in the same breath, or (with the context that makes sense of it) a value by itself."""
    drawer = _Drawer(procedure, Random(seed))
    return [drawer.utterance() for _ in range(count)]


def vocabulary(procedure: Procedure) -> frozenset[str]:
    """Every word that a statement of this procedure can hold, in inside spelling: what the recogniser must know."""
    lexicon = Lexicon(procedure)
    words = {word for _, template in lexicon.forms for word in template.words()}
    words |= {word for form in lexicon.correction.forms for word in form}
    return frozenset(words | {word for joiner in lang.JOINERS for word in joiner.split()})


def pronunciations(procedure: Procedure) -> Mapping[str, tuple[str, ...]]:
    """ARPAbet transcriptions of words that common dictionaries lack: those of the language tables and the procedure's
    own, which go first."""
    own = {
        inside[0]: ways
        for word, ways in procedure.pronunciations.items()
        if len(inside := canonical(word)) == 1
    }  # fmt: skip
    return {word: ways for word, ways in (dict(lang.PRONUNCIATIONS) | own).items() if word in vocabulary(procedure)}


TRIES = 200
"""Draws of one form before it is held to be of no use in a procedure."""


def drawn_from(lexicon: Lexicon, form: Form, rng: Random) -> tuple[Words, Statement] | None:
    """Words of one form, drawn until they come to a statement that would be taken, with that statement; None if the
    procedure has no such statement (an instrument without a number, say)."""
    template = next(template for own, template in lexicon.forms if own is form)
    for _ in range(TRIES):
        words, taken = template.sample(rng)
        statement = form.build(make.Spot(" ".join(words), (0, len(words))), taken)
        if statement is not None and not isinstance(statement, st.Refused):
            return words, statement
    return None


class _Drawer:
    def __init__(self, procedure: Procedure, rng: Random) -> None:
        self._rng = rng
        self._lexicon = Lexicon(procedure)
        self._forms = [form for form, _ in self._lexicon.forms]

    def sentence(self) -> tuple[str, Statement]:
        words, statement = self._statement()
        if self._rng.random() < JOINER_SHARE and not isinstance(statement, st.CorrectionSaid):
            words = (self._rng.choice(lang.JOINERS), *words)
        return " ".join(words), _placed(statement, words, 0)

    def utterance(self) -> tuple[str, Context, tuple[Statement, ...]]:
        chance = self._rng.random() if self._lexicon.procedure.readings else 1.0
        if chance < TWO_SHARE:
            return self._two()
        if chance < TWO_SHARE + BARE_SHARE:
            return self._bare()
        text, statement = self.sentence()
        return text, Context(), (statement,)

    def _statement(self) -> tuple[Words, Statement]:
        chance = self._rng.random()
        if chance < CORRECTION_SHARE / 3:
            return ("correction",), st.CorrectionSaid(words="correction", span=(0, 1), statement=None)
        if chance < CORRECTION_SHARE:
            words, inner = self._drawn(_CORRECTABLE)
            if isinstance(inner, st.CommandSaid):
                return words, inner
            return ("correction", *words), st.CorrectionSaid(words="", span=(0, 0), statement=_placed(inner, words, 1))
        return self._drawn(())

    def _drawn(self, kinds: tuple[str, ...]) -> tuple[Words, Statement]:
        """Words of a form of one of the kinds (any if none are given), with their statement. Commands, which every
        procedure has, stand in where none of the kinds can be drawn."""
        while True:
            forms = [form for form in self._forms if not kinds or form.kind in kinds]
            forms = forms or [form for form in self._forms if form.kind == "command"]
            form = self._rng.choices(forms, [form.weight for form in forms])[0]
            if drawn := drawn_from(self._lexicon, form, self._rng):
                return drawn
            self._forms.remove(form)

    def _two(self) -> tuple[str, Context, tuple[Statement, ...]]:
        """A reading and another closed statement, or a reading and its correction."""
        while True:
            words, first = self._drawn(("reading",))
            if not isinstance(first, st.ReadingSaid) or first.unit_assumed:
                continue
            reading = self._lexicon.procedure.reading(first.field)
            if self._rng.random() < 0.5:
                more, amount = self._lexicon.slots["amount"].sample(self._rng, {"reading": reading})
                inner = make.reading(make.Spot(" ".join(more), (0, 0)), {"reading": reading, "amount": amount})
                more = ("correction", *more)
                second: Statement = st.CorrectionSaid(
                    words="", span=(0, 0), statement=_placed(inner, more[1:], len(words) + 1)
                )
                if isinstance(inner, st.Refused):
                    continue
            else:
                more, second = self._drawn(("reading", "turn", "check"))
                if self._rng.random() < 0.5:
                    more = ("and", *more)
            both = (_placed(first, words, 0), _placed(second, more, len(words)))
            return " ".join((*words, *more)), Context(), both

    def _bare(self) -> tuple[str, Context, tuple[Statement, ...]]:
        """A value by itself, for the reading that was last spoken of."""
        while True:
            reading = self._rng.choice(self._lexicon.procedure.readings)
            words, amount = self._lexicon.slots["amount"].sample(self._rng, {"reading": reading})
            statement = make.reading(make.Spot(" ".join(words), (0, 0)), {"reading": reading, "amount": amount})
            if not isinstance(statement, st.Refused):
                return " ".join(words), Context(last_field=reading.id), (_placed(statement, words, 0),)


def _placed(statement: Statement, words: Words, start: int) -> Statement:
    """``statement`` as it is when ``words`` are all of its words, from position ``start`` on."""
    return replace(statement, words=" ".join(words), span=(start, start + len(words)))
