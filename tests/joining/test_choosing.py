"""Among several guesses at an utterance, the one that makes sense is taken, and what stays open is asked back."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.bench.choosing import SURE, choose, cost_of
from capture.bench.session import Session
from capture.judge.entry import Recorded
from capture.phrases.statements import Context
from capture.procedure import find, load_procedure
from capture.record import Record
from capture.speech import Clip, Guess, Heard, Word
from tests.bench.hearing_talk import Desk

PROCEDURE = load_procedure(find("lever_valve"))


def words(text: str) -> tuple[Word, ...]:
    return tuple(Word(word, 0.2 * i, 0.2 * i + 0.2, 0.99) for i, word in enumerate(text.split()))


def heard(*guesses: tuple[str, float]) -> Heard:
    made = tuple(Guess(words(text), score) for text, score in guesses)
    first = made[0]
    return Heard(first.words, first.text, 0.0, 2.0, Clip(bytes(64000), 16000, 0.0), (), "stand-in", "", made)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with Record.create(tmp_path / "record") as record:
        yield Desk(record, PROCEDURE)


def taken(desk: Desk, *guesses: tuple[str, float], session: Session | None = None) -> tuple[Recorded, ...]:
    return (session or desk.session()).hear(heard(*guesses), desk.moment())


def value(one: Recorded) -> str:
    return f"{one.entry.data['value']} {one.entry.data['unit']}"


def test_a_guess_that_no_phrase_allows_gives_way_to_one_that_makes_sense(desk: Desk) -> None:
    (one,) = taken(
        desk,
        ("lever height two two point nine millimetres inches", 0.0),
        ("lever height two point nine millimetres", -3.0),
    )
    assert value(one) == "2.9 mm"
    assert one.entry.words == "lever height two point nine millimetres"


def test_a_value_that_is_out_of_proportion_is_not_replaced_when_the_sound_is_clear(desk: Desk) -> None:
    (one,) = taken(desk, ("lever height nineteen millimetres", 0.0), ("lever height nine millimetres", -12.0))
    assert value(one) == "19 mm"
    assert one.entry.status == "unconfirmed"


def test_what_two_nearly_equal_guesses_disagree_about_is_asked_back(desk: Desk) -> None:
    (one,) = taken(
        desk,
        ("supply pressure one hundred and forty p s i", 0.0),
        ("supply pressure one hundred and fourteen p s i", -0.5),
    )
    assert (value(one), one.entry.status) == ("140 psi", "unconfirmed")
    assert any("fourteen" in warned.sentence for warned in one.entry.warnings)


def test_what_it_may_be_instead_is_told_in_plain_words(desk: Desk) -> None:
    (one,) = taken(
        desk, ("lever height two point one millimetres", 0.0), ("lever height tree point one millimetres", -0.5)
    )
    assert any("'three'" in warned.sentence for warned in one.entry.warnings)


def test_words_that_may_be_more_or_fewer_are_told_with_those_beside_them(desk: Desk) -> None:
    long, short = "lever height two point one nine millimetres", "lever height two point one millimetres"
    (more,) = taken(desk, (short, 0.0), (long, -0.5))
    assert any("'one nine millimetres'" in warned.sentence for warned in more.entry.warnings)
    (fewer,) = taken(desk, (long, 0.0), (short, -0.5))
    assert any("'one millimetres'" in warned.sentence for warned in fewer.entry.warnings)


def test_a_guess_far_behind_raises_no_question(desk: Desk) -> None:
    (one,) = taken(
        desk, ("lever height two point one millimetres", 0.0), ("lever height two point nine millimetres", -12.0)
    )
    assert (value(one), one.entry.status) == ("2.1 mm", "accepted")


def test_other_words_for_the_same_raise_no_question(desk: Desk) -> None:
    (one,) = taken(
        desk,
        ("lever height two point fife millimetres", 0.0),
        ("lever height two point five millimetres", -0.1),
        ("the lever height two point five millimetres", -0.2),
    )
    assert (value(one), one.entry.status) == ("2.5 mm", "accepted")


def test_many_guesses_of_one_meaning_beat_the_best_single_one(desk: Desk) -> None:
    (one,) = taken(
        desk,
        ("lever height two point nine millimetres", 0.0),
        ("lever height two point five millimetres", -0.2),
        ("lever height two point fife millimetres", -0.2),
    )
    assert (value(one), one.entry.status) == ("2.5 mm", "unconfirmed")


def test_only_the_statement_that_is_open_is_asked_back(desk: Desk) -> None:
    entries = taken(
        desk,
        ("lever height two point one millimetres orifice in one half turn", 0.0),
        ("lever height two point nine millimetres orifice in one half turn", -0.3),
    )
    assert [(one.entry.kind, one.entry.status) for one in entries] == [("reading", "unconfirmed"), ("turn", "accepted")]


def test_what_is_likelier_no_word_at_all_is_kept_as_not_understood(desk: Desk) -> None:
    (one,) = taken(desk, ("case cracked", 0.0), ("", 3.0))
    assert (one.entry.kind, one.entry.status, one.entry.words) == ("not_understood", "not_accepted", "")


def test_a_check_that_may_be_a_knock_is_asked_back(desk: Desk) -> None:
    (one,) = taken(desk, ("case cracked", 0.0), ("", -1.0))
    assert (one.entry.kind, one.entry.status) == ("check", "unconfirmed")


def test_that_nothing_was_said_counts_against_every_guess(desk: Desk) -> None:
    (one,) = taken(desk, ("lever height two point one millimetres", 0.0), ("", -4.5))
    assert (value(one), one.entry.status) == ("2.1 mm", "unconfirmed")
    assert any("nothing" in warned.sentence for warned in one.entry.warnings)


def test_what_the_stage_needs_is_likelier_but_everything_can_be_said(desk: Desk) -> None:
    def said(stage: str, ahead: float) -> str | None:
        session = desk.session()
        session.typed(f"stage {stage}".split(), desk.moment())
        (one, *_) = taken(desk, ("seat edge good", 0.0), ("diaphragm seat good", -ahead), session=session)
        return one.entry.subject

    assert said("stripped", 0.5) == said("covered", 3.0) == "seat_edge"
    assert said("covered", 0.5) == "diaphragm"


def test_a_sure_share_is_between_a_coin_and_certainty() -> None:
    assert 0.5 < SURE < 1


def test_the_record_keeps_the_words_that_were_chosen(desk: Desk) -> None:
    session = desk.session()
    taken(
        desk,
        ("lever height two two point nine millimetres inches", 0.0),
        ("lever height two point nine millimetres", -3.0),
        session=session,
    )
    (row,) = (row for row in desk.record.rows(session.job) if row.kind == "reading")
    assert row.body["heard"]["text"] == "lever height two point nine millimetres"
    assert row.body["heard"]["also"][0]["text"] == "lever height two two point nine millimetres inches"


def test_nothing_understood_in_any_guess_keeps_the_likeliest_words(desk: Desk) -> None:
    from capture.phrases import parse

    chosen = choose(
        heard(("two two two", 0.0), ("two three", -1.0)),
        lambda said: parse(said, procedure=PROCEDURE, context=Context()),
        lambda statements: cost_of((), None),
    )
    assert chosen.heard.text == "two two two"
