"""Generated sentences: they mean what they were drawn to mean, cover everything, and are the same for the same seed."""

from __future__ import annotations

import re
from collections import Counter

import pytest

from capture.phrases import (
    Context,
    Statement,
    parse,
    pronunciations,
    read_back,
    reference,
    sentences,
    utterances,
    vocabulary,
)
from capture.phrases import statements as st
from capture.phrases.forms import Lexicon
from capture.phrases.parser import parse_with
from capture.procedure import Procedure, parse_procedure
from capture.procedure import language as lang
from capture.procedure.inside import canonical, phrase, phrases
from capture.procedure.schema import ARPABET
from capture.units import UNITS


def test_every_sentence_parses_back_to_what_was_drawn(procedure: Procedure) -> None:
    lexicon = Lexicon(procedure)
    for text, statement in sentences(procedure, seed=1, count=3000):
        assert parse_with(lexicon, text.split(), Context()) == (statement,)


def test_every_utterance_parses_back_to_what_was_drawn(procedure: Procedure) -> None:
    lexicon = Lexicon(procedure)
    for text, context, statements in utterances(procedure, seed=2, count=3000):
        assert parse_with(lexicon, text.split(), context) == statements


def test_the_same_seed_gives_the_same_sentences(procedure: Procedure) -> None:
    assert sentences(procedure, 3, 50) == sentences(procedure, 3, 50)
    assert sentences(procedure, 3, 50) != sentences(procedure, 4, 50)


def test_all_kinds_of_statements_and_all_names_occur(valve: Procedure) -> None:
    drawn = sentences(valve, seed=5, count=4000)
    kinds = Counter(type(statement).__name__ for _, statement in drawn)
    assert set(kinds) == {
        kind.__name__ for kind in st.Said.__subclasses__() if kind not in (st.Refused, st.NotUnderstood)
    }
    assert kinds.most_common(1)[0][0] == "ReadingSaid"
    text = " ".join(f" {words} " for words, _ in drawn)
    things = (valve.readings, valve.counters, valve.checks, valve.parts, valve.stages, valve.photos, valve.roles)
    for name in {name for items in things for item in items for name in item.spoken}:
        assert f" {' '.join(phrase(name))} " in text, name
    commands = {statement.command for _, statement in drawn if isinstance(statement, st.CommandSaid)}
    assert commands == {"disregard", "say_again", "confirm", "read_back", "what_is_missing"}


def test_only_words_of_the_vocabulary_occur(procedure: Procedure) -> None:
    known = vocabulary(procedure)
    drawn = {word for text, _, _ in utterances(procedure, seed=6, count=4000) for word in text.split()}
    assert drawn <= known
    assert all(re.fullmatch(r"[a-z][a-z'-]*", word) for word in known)


def test_vocabulary_holds_numbers_units_letters_and_commands(valve: Procedure) -> None:
    known = vocabulary(valve)
    wanted = {*lang.NUMBER_WORDS, *lang.ICAO, *lang.LETTERS, *lang.MONTHS, *lang.ORDINALS}
    wanted |= {word for unit in UNITS.values() for form in phrases(unit.forms) for word in form}
    wanted |= {word for forms in lang.OPENERS.values() for form in phrases(forms) for word in form}
    assert wanted <= known


def test_words_that_sound_alike_have_one_spelling(procedure: Procedure) -> None:
    for word in vocabulary(procedure):
        assert canonical(word) == (word,)


def test_pronunciations_are_arpabet_and_the_procedures_own_go_first(valve: Procedure) -> None:
    spoken = pronunciations(valve)
    assert "kilopascals" in spoken
    assert spoken["pressurised"] == ("P R EH1 SH ER0 AY2 Z D",)
    for ways in spoken.values():
        assert all(phone.rstrip("012") in ARPABET for way in ways for phone in way.split())


@pytest.mark.parametrize(
    ("words", "back"),
    [
        ("lever height two point one millimetres", "lever height, two decimal one millimetres"),
        ("lever height one millimetre", "lever height, one millimetre"),
        ("supply pressure one thirty five", "supply pressure, one three five p s i, unit assumed"),
        ("orifice out a twelfth of a turn", "orifice out, one twelfth turn"),
        ("orifice in one and a quarter turns", "orifice in, one and one quarter turns"),
        ("orifice in two turns", "orifice in, two turns"),
        ("orifice in fifteen degrees", "orifice in, one five degrees"),
        ("valve seat fitted lot four seven k", "valve seat, one fitted, lot four seven kilo"),
        ("supply gauge p 4 due march twenty twenty seven",
         "supply gauge, number papa four, calibration due three one march two zero two seven"),
        ("serial K7-042", "serial number, kilo seven dash zero four two"),
        ("spring pin not centered", "spring pin, off center"),
        ("correction lever height two millimetres", "correction, lever height, two millimetres"),
        ("photo case open", "photo, case open"),
        ("assembly", "stage, assembled"),
        ("sign off reviewer", "signed, reviewer"),
        ("note all good", "note, all good"),
        ("confirm", "confirm"),
    ],
)  # fmt: skip
def test_read_back_names_the_field_first_and_speaks_digit_by_digit(words: str, back: str, valve: Procedure) -> None:
    (statement,) = parse(words.split(), valve)
    assert read_back(statement, valve) == back


def test_what_was_not_taken_reads_back_what_to_do(valve: Procedure) -> None:
    for words in ("lever height", "banana"):
        (statement,) = parse(words.split(), valve)
        assert read_back(statement, valve) == statement.sentence  # type: ignore[attr-defined]


def test_what_is_read_back_means_the_same(procedure: Procedure) -> None:
    """Hearing its own read-back, the parser would understand the same value."""
    kinds = (st.ReadingSaid, st.TurnSaid, st.CheckSaid, st.IdentitySaid)

    def value(statement: Statement) -> object:
        parts = vars(statement).items()
        return [part for part in parts if part[0] not in ("words", "span", "alternatives", "unit_assumed")]

    for _, statement in sentences(procedure, seed=8, count=1500):
        if isinstance(statement, kinds):
            words = read_back(statement, procedure).removesuffix(", unit assumed").replace(" over ", " slash ").split()
            if "slash" in words and isinstance(statement, st.TurnSaid):
                continue
            (again,) = parse(words, procedure)
            assert value(again) == value(statement), words


def test_reference_explains_every_name_and_its_examples_are_right(procedure: Procedure) -> None:
    text = reference(procedure)
    for caution in procedure.cautions:
        assert caution in text
    for items in (procedure.readings, procedure.counters, procedure.checks, procedure.parts, procedure.stages):
        assert all(name in text for item in items for name in item.spoken)
    rows = re.findall(r"\| for example \| read back \|\n\| --- \| --- \|\n((?:\|.*\|\n)+)", text)
    examples = [
        tuple(cell.strip() for cell in row.strip("|").split("|")) for block in rows for row in block.splitlines()
    ]
    assert len(examples) >= 20
    for words, back in examples:
        (statement,) = parse(words.split(), procedure)
        assert read_back(statement, procedure) == back


def test_a_procedure_with_almost_nothing_in_it_has_sentences() -> None:
    least = parse_procedure(
        '[procedure]\nid = "least"\nname = "Least"\nversion = "1"\nsource = "invented"\ncautions = ["Invented."]\n'
        '[[identity]]\nid = "tag"\nname = "Tag"\nspoken = ["tag"]\npattern = "(?=NEVER)X"\n'
        '[[stage]]\nid = "only"\nname = "Only"\nspoken = ["only"]\n',
        "least.toml",
    )
    for text, context, statements in utterances(least, seed=1, count=300):
        assert parse(text.split(), least, context) == statements
    assert "reading" not in " ".join(type(s).__name__ for _, s in sentences(least, 1, 100)).lower()
    assert reference(least)


def test_lots_of_one_digit_are_shown_too(valve: Procedure) -> None:
    lots = [said.lot for _, said in sentences(valve, seed=1, count=3000) if isinstance(said, st.PartSaid) and said.lot]
    short = [lot for lot in lots if sum(map(str.isdigit, lot)) == 1]
    assert len(short) > len(lots) / 20
