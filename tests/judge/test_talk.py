"""Conversation: correction, disregard, confirm, read back, what is missing, say again, sign-off."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from capture.judge import Candidate, Entry
from capture.phrases import statements as st
from tests.judge.desk import SPAN, Desk, ids, parted, reading, sentence, turned


def identity(value: str) -> st.IdentitySaid:
    return st.IdentitySaid(field="serial", value=value, **SPAN)


def desk(stage: str = "tuned") -> Desk:
    return Desk(stage=stage).gauges()


def reply(entry: Entry) -> str:
    assert (entry.kind, entry.status) == ("command", "accepted")
    return str(entry.data["reply"])


def lost() -> st.NotUnderstood:
    return st.NotUnderstood(sentence="These words fit nothing.", **SPAN)


# --- confirm


def test_confirm_accepts_what_waits() -> None:
    job = desk()
    waiting = job.read("effort", "0.8")
    entry = job.command("confirm")
    assert (entry.kind, entry.status, entry.replaces) == ("reading", "accepted", "id4")
    assert entry.data == {**waiting.data, "confirmed": True}
    assert (entry.verdict, ids(entry)) == (waiting.verdict, ["out_of_limits"])
    assert [held.id for held in job.view.each("reading")] == ["id5"]


def test_confirm_settles_doubts_but_not_facts() -> None:
    job = desk()
    job.say(reading("effort", "0.8", "inH2O", unit_assumed=True), doubts=("Eight may have been eighty.",))
    assert ids(job.recorded[-1].entry) == ["words_doubtful", "unit_assumed", "out_of_limits"]
    assert ids(job.command("confirm")) == ["out_of_limits"]


def test_confirm_of_other_kinds() -> None:
    job = desk()
    job.turn("spring", "2")
    entry = job.command("confirm")
    assert (entry.kind, entry.status, entry.replaces, ids(entry)) == ("turn", "accepted", "id4", ["turn_budget"])
    assert job.turn("spring", "1/4").data["stage_total"] == "9/4"


def test_an_implausible_value_is_only_ever_accepted_by_confirm() -> None:
    job = desk()
    assert job.read("effort", "9").status == "unconfirmed"
    assert job.read("effort", "9").status == "unconfirmed"
    assert job.finish()[-1].data["unconfirmed"] == ["id4", "id5"]
    entry = job.command("confirm")
    assert (entry.status, "implausible" in ids(entry)) == ("accepted", True)


def test_confirm_with_nothing_waiting() -> None:
    job = desk()
    assert reply(job.command("confirm")) == "Nothing is waiting to be confirmed."
    job.read("effort", "1.1")
    assert reply(job.command("confirm", "effort")) == "Nothing of Opening effort is waiting to be confirmed."


def test_confirm_of_a_named_reading() -> None:
    job = desk()
    job.read("effort", "0.8")
    job.read("lever", "-0.5")
    entry = job.command("confirm", "effort")
    assert (entry.subject, entry.status) == ("effort", "accepted")
    assert reply(job.command("confirm")).startswith("Still waiting: Lever height")
    assert job.command("confirm").subject == "lever"


def test_saying_confirm_twice_does_not_confirm_two_things() -> None:
    job = desk()
    job.read("effort", "0.8")
    job.read("lever", "-0.5")
    assert job.command("confirm").subject == "lever"
    asked = job.command("confirm")
    assert reply(asked).startswith("Still waiting: Opening effort, zero point eight inches of water, not confirmed.")
    assert job.command("confirm").subject == "effort"


def test_confirm_reaches_back_to_the_only_one_that_waits() -> None:
    job = desk()
    job.read("effort", "0.8")
    job.read("lever", "1")
    assert job.command("confirm").subject == "effort"


def test_what_was_overtaken_does_not_wait() -> None:
    job = desk()
    job.read("effort", "0.85")
    job.turn("orifice", "1/12")
    job.read("effort", "1.1")
    assert reply(job.command("confirm")) == "Nothing is waiting to be confirmed."


@pytest.mark.parametrize("word", ["confirm", "disregard"])
def test_an_unclear_word_changes_nothing(word: str) -> None:
    job = desk()
    job.read("effort", "0.8")
    entry = job.command(word, doubts=("The word may have been another.",))
    assert (ids(entry), reply(entry)) == (
        ["words_doubtful"],
        f"{word.capitalize()} was not heard clearly. Say {word} again.",
    )
    assert [held.entry.status for held in job.view.each("reading")] == ["unconfirmed"]


def test_an_unclear_bare_correction_withdraws_nothing() -> None:
    job = desk()
    job.read("effort", "1.1")
    entry = job.correct(None, doubts=("The word may have been another.",))
    assert (ids(entry), reply(entry)) == (
        ["words_doubtful"],
        "Correction was not heard clearly. Say correction again.",
    )
    assert [held.entry.data["value"] for held in job.view.each("reading")] == ["1.1"]


def test_a_confirmed_value_is_not_asked_for_again() -> None:
    job = desk()
    first = job.read("effort", "0.8")
    again = job.command("confirm")
    assert "Say confirm" in first.warnings[0].todo
    assert again.warnings[0].id == "out_of_limits"
    assert "confirm" not in again.warnings[0].todo


# --- correction


def test_a_correction_replaces_and_the_original_stays() -> None:
    job = desk()
    job.read("effort", "1.4")
    entry = job.correct(reading("effort", "1.1", "inH2O"))
    assert (entry.replaces, entry.status, ids(entry)) == ("id4", "accepted", [])
    assert job.recorded[4].entry.data["value"] == "1.4"
    assert [held.entry.data["value"] for held in job.view.each("reading")] == ["1.1"]


def test_a_correction_reaches_the_last_of_its_own_field() -> None:
    job = desk()
    job.read("lever", "1.0")
    job.read("effort", "1.1")
    assert job.correct(reading("lever", "1.1", "mm")).replaces == "id4"
    assert job.correct(reading("lever", "1.2", "mm")).replaces == "id6"


def test_a_correction_prefers_its_own_stage_and_keeps_the_stage_of_what_it_corrects() -> None:
    job = desk("wet")
    job.read("lever", "2.0")
    job.stage("tuned")
    early = job.correct(reading("lever", "2.1", "mm"))
    assert (early.replaces, early.stage) == ("id4", "wet")
    job.read("lever", "1.5")
    late = job.correct(reading("lever", "1.6", "mm"))
    assert (late.replaces, late.stage) == ("id8", "tuned")


def test_a_correction_of_nothing_is_a_new_entry() -> None:
    entry = desk().correct(reading("effort", "1.1", "inH2O"))
    assert (entry.replaces, entry.status) == (None, "accepted")


def test_a_photo_is_not_corrected_by_voice() -> None:
    job = desk()
    job.photo(1.0)
    entry = job.correct(reading("lever", "1.0", "mm"))
    assert (entry.replaces, len(list(job.view.each("reading", "lever")))) == (None, 2)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (turned("spring", "1/4"), turned("spring", "-1/4")),
        (parted("ring", "fitted", 2), parted("ring", "fitted", 3)),
        (
            st.CheckSaid(check="hose", answer="soft", **SPAN),
            st.CheckSaid(check="hose", answer="hard", **SPAN),
        ),
        (identity("K7"), identity("K8")),
        (
            st.InstrumentSaid(kind="water", serial="A", due=None, **SPAN),
            st.InstrumentSaid(kind="water", serial="B", due=None, **SPAN),
        ),
        (st.NoteSaid(text="one", **SPAN), st.NoteSaid(text="two", **SPAN)),
        (st.PhotoSaid(view="side", **SPAN), st.PhotoSaid(view="whole", **SPAN)),
        (st.SignOffSaid(role="reviewer", **SPAN), st.SignOffSaid(role="reviewer", **SPAN)),
    ],
)
def test_everything_that_carries_a_value_can_be_corrected(first: st.Said, second: st.Said) -> None:
    job = Desk(stage="dry")
    wrong = job.say(first)
    entry = job.correct(second)
    assert (entry.kind, entry.replaces) == (wrong.kind, "id1")
    assert [held.id for held in job.view.each(wrong.kind)] == ["id2"]


def test_fitted_does_not_correct_removed() -> None:
    job = Desk(stage="dry")
    job.part("ring", "removed", 3)
    job.part("ring", "fitted", 2)
    assert job.correct(parted("ring", "removed", 2)).replaces == "id1"


def test_correction_alone_withdraws_until_it_is_said_again() -> None:
    job = desk()
    job.read("effort", "1.4")
    entry = job.correct(None)
    assert (entry.kind, entry.subject, entry.replaces) == ("withdrawn", "effort", "id4")
    assert entry.data == {"kind": "reading", "subject": "effort", "id": "id4"}
    assert job.read("effort", "1.1").replaces is None


@pytest.mark.parametrize(
    "inner",
    [lost(), st.Refused(reason="wrong_unit", sentence="No.", field="effort", **SPAN), reading("effort", "1", "mm")],
)
def test_a_correction_that_was_not_understood_withdraws_what_was_wrong(inner: st.Said) -> None:
    job = desk()
    job.read("effort", "1.4")
    entries = job.judged(Candidate(statement=st.CorrectionSaid(statement=inner, **SPAN)))
    assert [entry.kind for entry in entries] == [
        "withdrawn",
        "not_understood" if isinstance(inner, st.NotUnderstood) else "refused",
    ]
    assert job.view.last("reading") is None


def test_a_correction_keeps_all_of_its_words() -> None:
    job = desk()
    job.read("effort", "1.4")
    said = st.CorrectionSaid(
        statement=reading("effort", "1.1", "inH2O"), words="correction effort one point one", span=(0, 5)
    )
    assert job.say(said).words == "correction effort one point one"


def test_nested_corrections_and_commands() -> None:
    job = desk()
    job.read("effort", "1.4")
    inner = st.CorrectionSaid(statement=reading("effort", "1.1", "inH2O"), **SPAN)
    assert job.correct(inner).replaces == "id4"
    assert reply(job.correct(st.CommandSaid(command="read_back", **SPAN))).startswith("Opening effort")


# --- disregard


def test_disregard_withdraws_the_last_value() -> None:
    job = desk()
    job.read("lever", "1.0")
    job.read("effort", "1.1")
    assert job.command("disregard").data == {"kind": "reading", "subject": "effort", "id": "id5"}
    assert job.command("disregard").data["id"] == "id4"
    assert list(job.view.each("reading")) == []


def test_disregard_of_a_named_reading() -> None:
    job = desk()
    job.read("lever", "1.0")
    job.read("effort", "1.1")
    assert job.command("disregard", "lever").data["id"] == "id4"


def test_disregard_after_words_that_were_not_taken_spares_the_value_before_them() -> None:
    job = desk()
    job.read("effort", "1.1")
    job.say(lost())
    entry = job.command("disregard")
    assert reply(entry).startswith("The last words were not taken, so nothing was withdrawn.")
    assert job.view.last("reading") is not None
    assert job.command("disregard").kind == "withdrawn"


def test_disregard_of_nothing() -> None:
    assert reply(Desk().command("disregard")) == "There is nothing to withdraw."
    assert reply(desk().command("disregard", "effort")) == "There is nothing to withdraw."


def test_what_was_replaced_never_comes_back() -> None:
    job = desk()
    job.read("effort", "1.4")
    job.correct(reading("effort", "1.1", "inH2O"))
    job.command("disregard")
    assert job.view.last("reading") is None


def test_a_photographed_value_goes_with_its_picture() -> None:
    job = desk()
    job.photo(1.0)
    entries = job.judged(Candidate(statement=st.CommandSaid(command="disregard", **SPAN)))
    assert [(entry.kind, entry.data["kind"]) for entry in entries] == [("withdrawn", "reading"), ("withdrawn", "photo")]
    assert (job.view.last("photo"), job.view.last("reading")) == (None, None)


def test_an_earlier_picture_stays() -> None:
    job = desk()
    job.photo(1.0)
    job.photo(1.02)
    job.command("disregard")
    assert [held.id for held in job.view.standing[-2:]] == ["id4", "id5"]


# --- answers


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (reading("lever", "1.05", "mm"), "Lever height, one point zero five millimetres."),
        (reading("lever", "-0.5", "mm"), "Lever height, minus zero point five millimetres, not confirmed."),
        (reading("supply", "135", "psi"), "Supply pressure, one three five p s i."),
        (turned("spring", "-1/4"), "Adjusting spring, a quarter turn out."),
        (parted("seat", "fitted", 1, "B7"), "Seat, one fitted, lot B seven."),
        (st.CheckSaid(check="pin", answer="no", **SPAN), "Spring pin centred, no."),
        (
            st.InstrumentSaid(kind="depth", serial="D2", due=date(2027, 1, 31), **SPAN),
            "depth gauge, number D two, due 2027-01-31.",
        ),
        (st.InstrumentSaid(kind="water", serial=None, due=None, **SPAN), "water gauge, without a number."),
        (st.SignOffSaid(role="technician", **SPAN), "Technician, Ada."),
        (st.StageSaid(stage="closed", **SPAN), "Cover on."),
        (identity("K7-04"), "Serial number, K seven dash zero four."),
        (st.NoteSaid(text="case is scratched", **SPAN), "note, case is scratched."),
    ],
)
def test_read_back(said: st.Said, words: str) -> None:
    job = desk()
    job.say(said)
    assert reply(job.command("read_back")) == words
    assert reply(job.command("say_again")) == words


def test_read_back_of_a_picture() -> None:
    job = desk()
    job.photo(1.0)
    assert reply(job.command("read_back")) == "Lever height, one millimetre from the photo."
    job.photo(None, view="whole", outcome="not_measured")
    assert reply(job.command("read_back")) == "Whole unit, not measured."


def test_read_back_of_a_named_reading() -> None:
    job = desk()
    job.read("effort", "1.1")
    job.read("lever", "1.0")
    assert reply(job.command("read_back", "effort")) == "Opening effort, one point one inches of water."
    assert reply(job.command("read_back", "proud")) == "Nothing of Spring tip above its seat is on record yet."
    assert reply(Desk().command("read_back")) == "Nothing is on record yet."


def test_say_again_repeats_warnings_and_refusals() -> None:
    job = desk()
    job.read("effort", "0.8")
    assert "below the lower limit of 1 inch of water" in reply(job.command("say_again"))
    job.say(lost())
    assert reply(job.command("say_again")) == "These words fit nothing."


def test_what_is_missing() -> None:
    job = desk()
    job.read("effort", "0.8")
    said = reply(job.command("what_is_missing"))
    assert said == (
        "Tuning: Opening effort is not confirmed; Orifice has not been turned. "
        "Waiting to be confirmed: Opening effort, zero point eight inches of water, not confirmed."
    )
    job.turn("orifice", "1/12")
    job.read("effort", "1.1")
    assert reply(job.command("what_is_missing")) == "Nothing is missing in Tuning."
    assert reply(Desk().command("what_is_missing")).startswith("No stage has begun.")


def test_commands_about_unknown_readings_are_refused() -> None:
    assert desk().command("confirm", "nothing").kind == "refused"


# --- identity, sign-off, notes


def test_another_identity_in_the_same_job_waits() -> None:
    job = desk()
    assert ids(job.say(identity("K7"))) == []
    assert ids(job.say(identity("K7"))) == []
    entry = job.say(identity("K8"))
    assert (entry.status, ids(entry)) == ("unconfirmed", ["identity_differs"])
    assert ids(job.correct(identity("K9"))) == []


def test_two_roles_one_person() -> None:
    job = desk()
    assert ids(job.sign("technician", "Ada Byron")) == []
    entry = job.sign("reviewer", "ada  byron ")
    assert ids(entry) == ["same_person"]
    assert "signed as Technician already" in sentence(entry, "same_person")
    assert ids(job.correct(st.SignOffSaid(role="reviewer", **SPAN), person="Grace")) == []


def test_the_rule_holds_in_either_order() -> None:
    job = desk()
    job.sign("reviewer", "Ada")
    assert ids(job.sign("technician", "Ada")) == ["same_person"]


@pytest.mark.parametrize("person", [None, "", "  "])
def test_nobody_s_signature(person: str | None) -> None:
    entry = desk().sign("technician", person)
    assert (ids(entry), entry.data["person"]) == (["signer_unknown"], None)


@pytest.mark.parametrize("how", ["correction", "disregard", "withdrawal"])
def test_changes_after_sign_off(how: str) -> None:
    job = desk()
    job.read("effort", "1.1")
    job.sign("technician")
    actions: dict[str, Any] = {
        "correction": lambda: job.correct(reading("effort", "1.11", "inH2O")),
        "disregard": lambda: job.command("disregard", "effort"),
        "withdrawal": lambda: job.correct(st.Refused(reason="x", sentence="No.", field="effort", **SPAN)),
    }
    actions[how]()
    changed = next(item.entry for item in job.recorded if item.entry.replaces == "id4")
    assert ids(changed) == ["corrected_after_sign_off"]
    assert "Opening effort was changed after sign-off (Technician)." in sentence(changed, "corrected_after_sign_off")


def test_withdrawing_a_signature_is_no_change_after_it() -> None:
    job = desk()
    job.sign("technician")
    assert ids(job.command("disregard")) == []


def test_notes_are_kept_whatever_is_doubtful_about_them() -> None:
    entry = desk().say(st.NoteSaid(text="scratched", **SPAN), doubts=("Scratched may be something else.",))
    assert (entry.kind, entry.status, ids(entry), entry.data) == ("note", "accepted", [], {"text": "scratched"})


@pytest.mark.parametrize("said", [lost(), st.Refused(reason="bad_step", sentence="No.", **SPAN), st.Said(**SPAN)])
def test_what_was_not_taken_is_kept(said: st.Said) -> None:
    entry = desk().say(said)
    assert (entry.status, entry.words) == ("not_accepted", "so it was said")
    assert entry.data["sentence"]


def test_nothing_at_all() -> None:
    (entry,) = desk().judged(Candidate())
    assert (entry.kind, entry.status) == ("not_understood", "not_accepted")
