"""What must never happen: a word lost, a crash, a value that was not said."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.phrases import Context, parse, sentences, vocabulary
from capture.phrases import statements as said
from capture.phrases.forms import HARMLESS, Lexicon
from capture.phrases.parser import parse_with
from capture.procedure import Procedure, load_procedure, parse_procedure, shipped
from capture.procedure import language as lang
from capture.procedure.inside import canonical, phrase, phrases
from tests.phrases.conftest import ODD

PROCEDURES = [load_procedure(path) for path in shipped().values()] + [parse_procedure(ODD, "odd.toml")]
LEXICONS = [Lexicon(procedure) for procedure in PROCEDURES]
WORDS = [sorted(vocabulary(procedure)) for procedure in PROCEDURES]
JUNK = [
    "[unk]",
    "banana",
    "",
    " ",
    "2.1",
    "-0",
    "k7-04",
    "p.s.i.",
    "½",
    "\u202e",
    "日本",
    "o'clock",
    "--",
    "correction,",
    "Oh",
]


def meaning(statement: said.Said) -> tuple[Any, ...]:
    """What a statement says, apart from its place; a correction says what it brings."""
    if isinstance(statement, said.CorrectionSaid) and statement.statement is not None:
        return meaning(statement.statement)
    skipped = ("words", "span", "alternatives")
    return (type(statement).__name__, *(v for k, v in vars(statement).items() if k not in skipped))


def values(statements: tuple[said.Said, ...]) -> list[said.Said]:
    """Statements that put something on record or change it."""
    return [
        s
        for s in statements
        if not isinstance(s, said.Refused | said.NotUnderstood | said.NoteSaid)
        and not (isinstance(s, said.CommandSaid) and s.command in HARMLESS)
    ]


@st.composite
def salads(draw: st.DrawFn) -> tuple[int, list[str]]:
    which = draw(st.integers(0, len(PROCEDURES) - 1))
    names = [name for r in PROCEDURES[which].readings for name in r.spoken]
    word = st.one_of(
        st.sampled_from(WORDS[which]),
        st.sampled_from(JUNK),
        st.sampled_from(sorted(lang.NUMBER_WORDS)),
        st.text(max_size=6),
    )
    piece = st.one_of(word.map(lambda w: [w]), st.sampled_from(names).map(str.split))
    return which, [w for p in draw(st.lists(piece, max_size=20)) for w in p]


@given(salads())
@settings(max_examples=300, deadline=None)
def test_any_words_at_all_are_taken_and_none_is_lost(salad: tuple[int, list[str]]) -> None:
    which, words = salad
    statements = parse_with(LEXICONS[which], words, Context())
    place = 0
    for statement in statements:
        assert statement.span[0] == place < statement.span[1]
        assert statement.words == " ".join(words[slice(*statement.span)])
        place = statement.span[1]
    assert place == len(words)


@given(salads())
@settings(max_examples=300, deadline=None)
def test_a_reading_holds_its_name_and_no_unknown_word(salad: tuple[int, list[str]]) -> None:
    which, words = salad
    for statement in parse_with(LEXICONS[which], words, Context()):
        inner = statement.statement if isinstance(statement, said.CorrectionSaid) else statement
        if not isinstance(inner, said.ReadingSaid):
            continue
        # a correction without a name belongs to the reading that was named before it
        heard = statement.words if statement is inner else " ".join(words[: statement.span[1]])
        inside = f" {' '.join(phrase(heard))} "
        names = phrases(PROCEDURES[which].reading(inner.field).spoken)
        assert any(f" {' '.join(name)} " in inside for name in names)
        assert not set(phrase(inner.words)) & {"[unk]", "banana"}


@pytest.mark.parametrize("which", range(len(PROCEDURES)))
def test_an_unknown_sound_anywhere_never_changes_a_value(which: int) -> None:
    """Each word in turn becomes unknown, or an unknown sound falls before it: the meaning stays or nothing is taken."""
    for text, statement in sentences(PROCEDURES[which], seed=11, count=250):
        if isinstance(statement, said.NoteSaid):
            continue
        words = text.split()
        for at in range(len(words)):
            for changed in ([*words[:at], "[unk]", *words[at + 1 :]], [*words[:at], "[unk]", *words[at:]]):
                for got in values(parse_with(LEXICONS[which], changed, Context())):
                    assert meaning(got) == meaning(statement), (changed, got)


@pytest.mark.parametrize("which", range(len(PROCEDURES)))
def test_two_utterances_run_together_never_make_a_third_value(which: int) -> None:
    drawn = [pair for pair in sentences(PROCEDURES[which], seed=5, count=800) if not isinstance(pair[1], said.NoteSaid)]
    rng = Random(1)
    both = 0
    for _ in range(3000):
        (one, first), (two, second) = rng.choice(drawn), rng.choice(drawn)
        got = parse_with(LEXICONS[which], f"{one} {two}".split(), Context())
        both += [meaning(s) for s in got] == [meaning(first), meaning(second)]
        for statement in values(got):
            assert meaning(statement) in (meaning(first), meaning(second)), f"{one} | {two}"
    assert both > 2500  # most of them are told apart nevertheless


@pytest.mark.parametrize(
    "words",
    [
        "[unk] confirm", "confirm [unk]", "[unk] disregard", "disregard [unk]", "correction [unk]", "not confirm",
        "[unk] sign off technician", "no correction [unk]", "serial number k seven dash zero four two [unk]",
        "supply gauge p g one due march twenty twenty [unk]", "spring pin [unk] centered", "lever tips upright [unk]",
        "[unk] quarter turn in on the orifice", "[unk] sealing rings fitted", "valve seat fitted [unk] four seven",
        "not lever height two point one millimetres", "never valve seat fitted", "lever height [unk] millimetres",
        "lever height two [unk] one millimetres", "lever height two point one [unk] millimetres",
    ],
)  # fmt: skip
def test_nothing_is_taken_where_something_was_not_understood(words: str, valve: Procedure) -> None:
    assert values(parse(words.split(), valve)) == []


@pytest.mark.parametrize(
    ("words", "taken"),
    [
        ("[unk] lever height two point one millimetres", 1),
        ("lever height two point one millimetres [unk]", 1),
        ("orifice in a quarter turn [unk]", 1),
        ("stage assembled [unk]", 1),
        ("[unk] photo lever side", 1),
    ],
)
def test_noise_beside_a_complete_statement_does_no_harm(words: str, taken: int, valve: Procedure) -> None:
    assert len(values(parse(words.split(), valve))) == taken


def test_a_missing_unit_is_assumed_only_where_it_alone_is_plausible(valve: Procedure) -> None:
    for tenths in range(-50, 3000):
        words = [*["supply", "pressure"], *canonical(str(tenths / 10))]
        for statement in parse(words, valve):
            if isinstance(statement, said.ReadingSaid):
                assert statement.unit_assumed
                assert 40 <= statement.value <= 260
