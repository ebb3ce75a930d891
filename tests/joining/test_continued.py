"""A sentence with a pause in it does not leave its first half on record as if that had been all."""

from __future__ import annotations

from datetime import timedelta

import pytest

from capture.bench.continued import BREATH_S
from capture.bench.session import Session
from capture.errors import EnvironmentFault
from capture.judge.entry import Moment, Recorded
from capture.procedure import find, load_procedure
from capture.speech import Clip, Heard, Word
from tests.bench.hearing_talk import Desk

PROCEDURE = load_procedure(find("lever_valve"))
WORD_S = 0.3


class Speaker:
    """Says pieces of sentences into one job, with pauses between them."""

    def __init__(self, desk: Desk, session: Session | None = None) -> None:
        self.session = session or desk.session()
        self.start = desk.moment()
        self.at_s = 0.0

    def say(self, text: str, pause: float = 0.0) -> tuple[Recorded, ...]:
        self.at_s += pause
        words = []
        for word in text.split():
            words.append(Word(word, self.at_s, self.at_s + WORD_S, 0.97))
            self.at_s += WORD_S
        begun, clip = words[0].start_s, Clip(bytes(32000), 16000, words[0].start_s)
        heard = Heard(tuple(words), text, begun, self.at_s, clip, (), "stand-in")
        at = Moment(self.start.at + timedelta(seconds=begun), self.start.mono + begun, self.start.session)
        return self.session.hear(heard, at)

    @property
    def stands(self) -> list[tuple[str, str | None, str]]:
        return [(one.entry.kind, one.entry.subject, one.entry.status) for one in self.session.view.standing]


def test_the_whole_number_waits_in_the_place_of_its_first_half(desk: Desk) -> None:
    speaker = Speaker(desk)
    (half,) = speaker.say("supply pressure one hundred")
    assert half.entry.data["value"] == "100"
    (whole,) = speaker.say("forty p s i", pause=0.9)
    assert (whole.entry.data["value"], whole.entry.status, whole.entry.replaces) == ("140", "unconfirmed", half.id)
    assert whole.entry.words == "supply pressure one hundred forty p s i"
    assert "two pieces" in whole.entry.warnings[0].sentence
    assert speaker.stands == [("reading", "supply_pressure", "unconfirmed")]
    (sure,) = speaker.say("confirm", pause=3.0)
    assert (sure.entry.data["value"], sure.entry.status) == ("140", "accepted")


def test_both_rows_keep_their_words_and_sound(desk: Desk) -> None:
    speaker = Speaker(desk)
    half = speaker.say("orifice serial")
    first = speaker.say("supply gauge serial kilo seven")[-1]
    whole = speaker.say("four two", pause=1.2)[-1]
    assert whole.entry.data["serial"] == "K742"
    row = desk.record.row(whole.id)
    assert (row.body["heard"]["text"], row.body["heard"]["after"]) == ("four two", first.id)
    assert [ref.kind for ref in row.media] == ["clip"]
    assert desk.record.row(first.id).body["heard"]["text"] == "supply gauge serial kilo seven"
    assert half[-1].entry.status == "not_accepted"


@pytest.mark.parametrize(
    ("one", "two", "kind", "key", "value"),
    [
        ("lever height two", "point five millimetres", "reading", "value", "2.5"),
        ("orifice out one", "eighth turn", "turn", "turns", "-1/8"),
        (
            "supply gauge serial kilo",
            "calibration due july two thousand and twenty six",
            "instrument",
            "due",
            "2026-07-31",
        ),
    ],
)
def test_what_only_both_say_is_asked_back(desk: Desk, one: str, two: str, kind: str, key: str, value: str) -> None:
    speaker = Speaker(desk)
    speaker.say(one)
    whole = speaker.say(two, pause=1.0)[-1]
    assert (whole.entry.kind, whole.entry.status, whole.entry.data[key]) == (kind, "unconfirmed", value)
    accepted = [held.entry.kind for held in speaker.session.view.standing if held.accepted]
    assert kind not in accepted


def test_a_pause_longer_than_a_breath_ends_the_sentence(desk: Desk) -> None:
    speaker = Speaker(desk)
    speaker.say("supply pressure one hundred")
    found = speaker.say("forty p s i", pause=BREATH_S + 0.1)
    assert found[-1].entry.data.get("value") != "140"


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("lever height two point one millimetres", "supply pressure one hundred forty p s i"),
        ("supply pressure one hundred forty p s i", "confirm"),
        ("lever height two point one millimetres", "thank you"),
    ],
)
def test_a_whole_sentence_is_not_joined_to_the_one_before(desk: Desk, one: str, two: str) -> None:
    speaker = Speaker(desk)
    (first,) = speaker.say(one)
    found = speaker.say(two, pause=0.8)
    assert all(item.entry.replaces != first.id for item in found)
    assert speaker.stands[0][2] == first.entry.status
    assert not any("two pieces" in w.sentence for item in found for w in item.entry.warnings)


def test_correction_and_then_the_value_is_no_sentence_in_two_pieces(desk: Desk) -> None:
    speaker = Speaker(desk)
    speaker.say("lever height two point one millimetres")
    speaker.say("correction", pause=2.0)
    again = speaker.say("two point four millimetres", pause=0.8)[-1]
    assert (again.entry.status, again.entry.data["value"]) == ("accepted", "2.4")


def test_seconds_after_a_breath_belong_to_the_minutes_before(desk_of_reducer: Desk) -> None:
    speaker = Speaker(desk_of_reducer)
    (half,) = speaker.say("hold time two minutes")
    (whole,) = speaker.say("thirty seconds", pause=0.9)
    kept = (whole.entry.data["value"], whole.entry.data["unit"], whole.entry.status, whole.entry.replaces)
    assert kept == ("150", "s", "unconfirmed", half.id)


def test_an_older_reading_is_never_replaced_by_a_sentence_in_two_pieces(desk: Desk) -> None:
    speaker = Speaker(desk)
    (old,) = speaker.say("supply pressure one hundred forty p s i")
    speaker.say("supply pressure", pause=4.0)
    whole = speaker.say("one hundred p s i", pause=1.0)[-1]
    assert (whole.entry.data["value"], whole.entry.replaces) == ("100", None)
    assert old.id in {held.id for held in speaker.session.view.standing}


def test_typed_words_are_never_half_of_a_sentence(desk: Desk) -> None:
    speaker = Speaker(desk)
    speaker.say("supply pressure one hundred")
    speaker.session.typed(["supply", "pressure", "one", "hundred", "p", "s", "i"], desk.moment())
    found = speaker.say("forty p s i", pause=0.5)
    assert all(item.entry.data.get("value") != "140" for item in found)


def test_what_could_not_be_stored_still_finishes_its_sentence_when_tried_again(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    speaker = Speaker(desk)
    speaker.say("supply pressure one hundred")

    def full(*_: object) -> tuple[Recorded, ...]:
        raise EnvironmentFault("The disk is full; free some space.")

    said_at = speaker.at_s
    with monkeypatch.context() as patched:
        patched.setattr(speaker.session, "_commit", full)
        with pytest.raises(EnvironmentFault):
            speaker.say("forty p s i", pause=0.9)
    speaker.at_s = said_at
    (whole,) = speaker.say("forty p s i", pause=0.9)
    assert (whole.entry.data["value"], whole.entry.status) == ("140", "unconfirmed")
