"""The conversation, without sound: what is said and sounded after what happened, and what is never said."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from capture.bench.conversation import (
    MOST_LINES,
    MOST_TRIES,
    Action,
    Event,
    Heard,
    Hush,
    Say,
    Silence,
    Sound,
    SpeechBegan,
    SpeechEnded,
    Stored,
    Talk,
    Trouble,
    VoiceDone,
    step,
)
from capture.judge import JobView, judge
from capture.judge.entry import Candidate, Moment, Recorded
from capture.phrases import parse
from capture.phrases.statements import Context
from capture.procedure import find, load_procedure
from capture.procedure.model import Procedure

T0 = datetime(2027, 2, 3, 8, 30, tzinfo=UTC)
BEGIN = (
    "stage as received",
    "using supply gauge papa golf one four due november twenty twenty seven",
    "using effort gauge echo golf zero three due november twenty twenty seven",
)


@pytest.fixture(scope="module")
def procedure() -> Procedure:
    return load_procedure(find("lever_valve"))


class Job:
    """A job by words, judged as at the bench; ``say`` gives the event that its entries make."""

    def __init__(self, procedure: Procedure, *lines: str) -> None:
        self.procedure = procedure
        self.recorded: list[Recorded] = []
        for line in lines:
            self.say(line)

    def say(self, line: str, doubts: tuple[str, ...] = ()) -> Stored:
        view = JobView.of(self.recorded, self.procedure)
        new: list[Recorded] = []
        for statement in parse(line.split(), self.procedure, Context(view.stage, view.last_field)):
            view = JobView.of(self.recorded + new, self.procedure)
            number = len(self.recorded) + len(new)
            moment = Moment(T0 + timedelta(seconds=number), float(number), "s")
            candidate = Candidate(statement=statement, doubts=doubts)
            for entry in judge(self.procedure, view, candidate, moment):
                new.append(Recorded(f"e{len(self.recorded) + len(new)}", entry, moment))
        self.recorded += new
        waiting = JobView.of(self.recorded, self.procedure).waiting()
        return Stored(tuple(new), tuple(Recorded(held.id, held.entry, held.moment) for held in waiting))


def run(procedure: Procedure, *events: Event, talk: Talk | None = None) -> tuple[Talk, list[Action]]:
    talk = talk or Talk()
    done: list[Action] = []
    for event in events:
        talk, actions = step(talk, event, procedure)
        done += actions
    return talk, done


def said(actions: list[Action]) -> list[str]:
    return [action.line.text for action in actions if isinstance(action, Say)]


def test_a_value_within_limits_is_sounded_and_read_back_digit_by_digit(procedure: Procedure) -> None:
    job = Job(procedure, *BEGIN)
    _, actions = run(procedure, Heard(), job.say("supply pressure one three eight p s i"))
    assert actions[:2] == [Sound("heard"), Sound("stored")]
    assert said(actions) == ["supply pressure, one three eight p s i."]


def test_a_value_out_of_limits_is_asked_about(procedure: Procedure) -> None:
    job = Job(procedure, *BEGIN)
    _, actions = run(procedure, job.say("supply pressure one five two p s i"))
    assert actions[0] == Sound("warning")
    (text,) = said(actions)
    assert text.startswith("supply pressure, one five two p s i, not confirmed.")
    assert "above the upper limit of 148 psi" in text
    assert "Say confirm" in text


def test_doubtful_words_are_asked_about_though_the_value_is_good(procedure: Procedure) -> None:
    job = Job(procedure, *BEGIN)
    _, actions = run(procedure, job.say("supply pressure one three eight p s i", doubts=("'eight' was not clear.",)))
    (text,) = said(actions)
    assert "'eight' was not clear." in text
    assert "Say confirm" in text


def test_confirm_is_answered_and_sounds_stored(procedure: Procedure) -> None:
    job = Job(procedure, *BEGIN, "supply pressure one five two p s i")
    _, actions = run(procedure, job.say("confirm"))
    assert actions[0] == Sound("stored")
    assert said(actions) == ["Confirmed: supply pressure, one five two p s i."]


def test_a_question_does_not_block_the_next_reading(procedure: Procedure) -> None:
    job = Job(procedure, *BEGIN)
    talk, _ = run(procedure, job.say("supply pressure one five two p s i"), SpeechBegan())
    talk, actions = run(procedure, job.say("opening effort one point two inches of water"), talk=talk)
    assert actions == [Sound("stored")], "nothing is said while the technician speaks"
    talk, actions = run(procedure, SpeechEnded(), VoiceDone(), VoiceDone(), talk=talk)
    first, second = said(actions)
    assert "one five two" in first, "the question that was cut off is asked again"
    assert second == "opening effort, one point two inches of water."
    assert JobView.of(job.recorded, procedure).waiting(), "and still waits"


def test_what_was_settled_meanwhile_is_not_asked(procedure: Procedure) -> None:
    job = Job(procedure, *BEGIN)
    talk, _ = run(procedure, job.say("supply pressure one five two p s i"), SpeechBegan())
    talk, actions = run(procedure, job.say("correction supply pressure one three two p s i"), SpeechEnded(), talk=talk)
    assert said(actions) == ["supply pressure, one three two p s i."]


def test_who_speaks_stops_the_voice_at_once(procedure: Procedure) -> None:
    job = Job(procedure, *BEGIN)
    talk, _ = run(procedure, job.say("leaks none"))
    assert talk.saying is not None
    talk, actions = step(talk, SpeechBegan(), procedure)
    assert actions == (Hush(),)
    assert talk.saying is None


def test_a_read_back_is_begun_no_more_than_twice_and_then_noted_as_unheard(procedure: Procedure) -> None:
    job = Job(procedure, *BEGIN)
    event = job.say("leaks none")
    talk, actions = run(procedure, event, *[SpeechBegan(), SpeechEnded()] * 4)
    assert len(said(actions)) == MOST_TRIES
    assert talk.unheard == (event.entries[0].id,)


def test_what_is_missing_is_answered_aloud(procedure: Procedure) -> None:
    job = Job(procedure, *BEGIN, "supply pressure one five two p s i")
    _, actions = run(procedure, job.say("what is missing"))
    (text,) = said(actions)
    assert "Opening effort has not been said" in text
    assert "Supply pressure is not confirmed" in text


def test_a_stage_that_ends_says_what_it_lacks_before_the_next_begins(procedure: Procedure) -> None:
    job = Job(procedure, *BEGIN)
    _, actions = run(procedure, job.say("stage stripped"))
    (text,) = said(actions)
    assert text.startswith("As received ended, but Serial number has not been said")
    assert text.endswith("stage stripped.")


def test_a_cough_is_sounded_but_not_talked_about(procedure: Procedure) -> None:
    job = Job(procedure, *BEGIN)
    _, actions = run(procedure, job.say("hose"))
    assert said(actions) == []


def test_silence_key_stops_and_clears_but_notes_what_was_not_heard(procedure: Procedure) -> None:
    job = Job(procedure, *BEGIN)
    one, two = job.say("leaks none"), job.say("hose chafed")
    talk, actions = run(procedure, one, two, Silence(), VoiceDone(), SpeechEnded())
    assert Hush() in actions
    assert len(said(actions)) == 1
    assert talk.unheard == (one.entries[0].id, two.entries[0].id)


def test_trouble_comes_first_and_once(procedure: Procedure) -> None:
    job = Job(procedure, *BEGIN)
    full = Trouble("The disk is full; free some space on it.")
    _, actions = run(procedure, job.say("leaks none"), job.say("hose chafed"), full, full, VoiceDone(), VoiceDone())
    assert said(actions)[1] == full.sentence
    assert said(actions).count(full.sentence) == 1
    assert actions.count(Sound("warning")) == 1


_EVENTS = some.lists(
    some.sampled_from(["began", "ended", "done", "good", "bad", "confirm", "correct", "disregard", "missing", "key"]),
    max_size=40,
)


@settings(max_examples=60, deadline=None)
@given(_EVENTS)
def test_whatever_happens(procedure: Procedure, names: list[str]) -> None:
    """Never speaks over the technician or over itself, never forgets a question, never lets one lapse."""
    lines = {
        "good": "opening effort one point two inches of water",
        "bad": "supply pressure one five two p s i",
        "confirm": "confirm",
        "correct": "correction supply pressure one three three p s i",
        "disregard": "disregard",
        "missing": "what is missing",
    }
    plain: dict[str, Event] = {"began": SpeechBegan(), "ended": SpeechEnded(), "done": VoiceDone(), "key": Silence()}
    job, talk = Job(procedure, *BEGIN), Talk()
    speaking, saying, asked = False, False, set[str]()
    for name in names:
        event = plain[name] if name in plain else job.say(lines[name])
        speaking = {"began": True, "ended": False}.get(name, speaking)
        saying = saying and name != "done"
        talk, actions = step(talk, event, procedure)
        for action in actions:
            if isinstance(action, Hush):
                saying = False
            if isinstance(action, Say):
                assert not speaking
                assert not saying
                saying = True
                asked |= set(action.line.about) if action.line.weight == "question" else set()
        assert len(talk.queue) <= MOST_LINES + len(asked) + 3
        waiting = {held.id for held in JobView.of(job.recorded, procedure).waiting()}
        ahead = {id_ for line in (talk.saying, *talk.queue) if line for id_ in line.about}
        if "key" not in names:
            assert waiting <= asked | ahead, "a question is asked or going to be asked"
    accepted = [one for one in job.recorded if one.entry.status == "accepted" and one.entry.kind == "reading"]
    for one in accepted:
        out = any(warning.id == "out_of_limits" for warning in one.entry.warnings)
        assert not out or one.entry.data.get("confirmed"), "silence is not confirmation"
