"""Stages and the end of the job: what is missing, skipped, out of order, unsigned."""

from __future__ import annotations

from dataclasses import replace

import pytest

from capture.judge import Candidate, Entry
from capture.phrases.statements import CheckSaid, PhotoSaid, StageSaid
from capture.procedure.model import Need, Order
from tests.judge.desk import SPAN, Desk, ids, sentence
from tests.judge.test_talk import identity
from tests.judge.trade import TRADE


def ended(job: Desk, following: str) -> Entry:
    entries = job.judged(Candidate(statement=StageSaid(stage=following, **SPAN)))
    assert [entry.kind for entry in entries] == ["stage_end", "stage"]
    assert job.view.stage == following
    return entries[0]


def missing(entry: Entry) -> list[tuple[str, str, str]]:
    return [(item["kind"], item["ref"], item["why"]) for item in entry.data["missing"]]


def test_the_first_stage_ends_nothing() -> None:
    job = Desk()
    (entry,) = job.judged(Candidate(statement=StageSaid(stage="received", **SPAN)))
    assert (entry.kind, entry.stage, entry.subject, entry.data) == (
        "stage",
        "received",
        "received",
        {"stage": "received"},
    )
    (again,) = job.judged(Candidate(statement=StageSaid(stage="received", **SPAN)))
    assert ids(again) == []


def test_an_empty_stage_misses_everything() -> None:
    end = ended(Desk(stage="dry"), "wet")
    assert missing(end) == [
        ("part", "seat", "has not been fitted"),
        ("part", "ring", "has not been fitted"),
        ("part", "tie", "has not been fitted"),
        ("check", "pin", "has not been answered"),
        ("check", "upright", "has not been answered"),
        ("reading", "lever", "has not been said"),
        ("photo", "side", "has not been photographed"),
    ]
    assert ids(end) == ["missing_at_stage_end"] * 7
    assert end.data["missing"][0] == {"kind": "part", "ref": "seat", "name": "Seat", "why": "has not been fitted"}
    assert "Before pressurising ended, but Lever height has not been said." in sentence(end, "missing_at_stage_end")


def full_dry(job: Desk) -> Desk:
    job.gauges()
    job.part("seat", "fitted", 1, "L")
    job.part("ring", "fitted", 3)
    job.part("tie", "fitted")
    job.check("pin")
    job.check("upright")
    job.read("lever", "3.0")
    job.photo(3.0)
    return job


def test_a_full_stage_misses_nothing() -> None:
    end = ended(full_dry(Desk(stage="dry")), "wet")
    assert (missing(end), ids(end)) == ([], [])


def test_unconfirmed_is_not_done() -> None:
    job = Desk(stage="tuned").gauges()
    job.read("effort", "0.8")
    job.turn("orifice", "1/12")
    end = ended(job, "closed")
    assert missing(end) == [("reading", "effort", "is not confirmed")]
    assert "say confirm" in sentence(end, "missing_at_stage_end")


def test_the_last_value_must_be_the_confirmed_one() -> None:
    job = Desk(stage="tuned").gauges()
    job.read("effort", "0.85")
    job.turn("orifice", "1/12")
    job.read("effort", "1.1")
    assert missing(ended(job, "closed")) == []
    job.stage("tuned")
    job.read("effort", "1.4")
    assert missing(ended(job, "closed")) == [("reading", "effort", "is not confirmed")]


def test_what_was_withdrawn_is_missing_again() -> None:
    job = full_dry(Desk(stage="dry"))
    job.command("disregard")
    assert missing(ended(job, "wet")) == [("photo", "side", "has not been photographed")]


def test_a_photo_alone_does_not_stand_for_the_spoken_value_where_both_are_wanted() -> None:
    job = full_dry(Desk(stage="dry"))
    spoken = job.view.last("reading", "lever")
    assert spoken is not None
    job.command("disregard", "lever")
    assert missing(ended(job, "wet")) == [("reading", "lever", "has not been said")]


def test_a_photo_alone_does_where_only_the_reading_is_wanted() -> None:
    job = Desk(stage="closed")
    job.photo(0.3)
    assert ("reading", "lever") not in [item[:2] for item in missing(ended(job, "repeat"))]


def test_a_refused_photo_is_not_the_picture_that_is_needed() -> None:
    job = full_dry(Desk(stage="dry"))
    job.command("disregard")
    job.photo(None, outcome="refused", reason="blurred", sentence="The picture is blurred; hold still.")
    assert missing(ended(job, "wet")) == [("photo", "side", "was photographed but not measured")]


def test_identity_and_instrument_hold_for_the_whole_job() -> None:
    job = Desk()
    job.say(identity("K7"))
    job.gauges()
    job.stage("received")
    job.read("supply", "135")
    assert missing(ended(job, "dry")) == []
    job.stage("wet")
    assert ("instrument", "supply_gauge") not in [item[:2] for item in missing(ended(job, "tuned"))]


def test_where_two_stages_ask_for_a_part_the_first_wants_the_old_one_out() -> None:
    first = replace(TRADE.stage("received"), needs=(Need("part", "*"),))
    procedure = replace(TRADE, stages=(first, *TRADE.stages[1:]))
    job = Desk(procedure, "received")
    job.part("ring", "removed", 2)
    end = ended(job, "dry")
    assert missing(end) == [("part", "seat", "has not been removed"), ("part", "ring", "has been removed only 2 of 3")]
    assert "take the old one out and say so" in sentence(end, "missing_at_stage_end")
    job.part("seat", "fitted", 1, "L")
    job.part("ring", "fitted", 2)
    wanted = [item for item in missing(ended(job, "wet")) if item[0] == "part"]
    assert wanted == [("part", "ring", "has been fitted only 2 of 3"), ("part", "tie", "has not been fitted")]


def test_a_skipped_stage_is_said_once() -> None:
    job = Desk(stage="received")
    entry = job.stage("tuned")
    assert ids(entry) == ["out_of_order"]
    assert "Before pressurising, Pressurised was skipped" in sentence(entry, "out_of_order")
    assert ids(job.stage("closed")) == []
    assert ids(job.stage("dry")) == []
    assert ids(job.stage("repeat")) == ["out_of_order"]  # Pressurised still lacks


def test_starting_late_is_skipping() -> None:
    assert ids(Desk().stage("dry")) == ["out_of_order"]


def test_a_misheard_stage_is_corrected_without_ending_it() -> None:
    job = Desk(stage="received")
    job.stage("tuned")
    entry = job.correct(StageSaid(stage="dry", **SPAN))
    assert (entry.kind, entry.stage, ids(entry), job.view.stage) == ("stage", "dry", [], "dry")
    assert [item.entry.kind for item in job.recorded] == ["stage", "stage_end", "stage", "stage"]


def test_a_corrected_stage_is_not_counted_as_begun() -> None:
    job = Desk(stage="received")
    job.stage("dry")
    entry = job.correct(StageSaid(stage="wet", **SPAN))
    assert ids(entry) == ["out_of_order"]
    assert "Before pressurising was skipped" in sentence(entry, "out_of_order")


def test_a_withdrawn_stage_gives_back_the_one_before() -> None:
    job = Desk(stage="received")
    job.stage("dry")
    assert job.command("disregard").kind == "withdrawn"
    assert job.view.stage == "received"


@pytest.mark.parametrize("pin_first", [True, False])
def test_order(pin_first: bool) -> None:
    job = Desk(stage="dry")
    if pin_first:
        job.check("pin")
    entry = job.check("upright")
    assert ids(entry) == ([] if pin_first else ["out_of_order"])
    if not pin_first:
        assert "came before Spring pin centred. The pin is centred before the lever" in sentence(entry, "out_of_order")


def test_a_correction_does_not_mend_the_order() -> None:
    job = Desk(stage="dry")
    job.check("upright", "no")
    job.check("pin")
    entry = job.correct(CheckSaid(check="upright", answer="yes", **SPAN))
    assert ids(entry) == ["out_of_order"]


def test_order_of_the_whole_kit() -> None:
    order = Order(Need("part", "*"), Need("check", "cap"), "The kit goes in first.")
    job = Desk(replace(TRADE, orders=(order,)), "dry")
    job.part("seat", "fitted", 1, "L")
    entry = job.check("cap")
    assert ids(entry) == ["out_of_order"]
    assert "came before O-ring and Mouthpiece tie" in sentence(entry, "out_of_order")


def test_a_picture_that_was_asked_for_and_never_came() -> None:
    job = Desk(stage="wet")
    job.say(PhotoSaid(view="whole", **SPAN))
    assert ids(ended(job, "tuned")).count("photo_awaited") == 1
    job.say(PhotoSaid(view="whole", **SPAN))
    job.photo(None, view="whole", outcome="not_measured")
    assert ids(ended(job, "closed")).count("photo_awaited") == 0


def test_check_not_good() -> None:
    job = Desk(stage="dry")
    entry = job.check("pin", "no")
    assert (ids(entry), entry.data["good"]) == (["check_not_good"], False)
    assert "Spring pin centred: the answer is no; it should be yes." in sentence(entry, "check_not_good")
    assert (ids(job.check("pin")), job.check("hose", "hard").data["good"]) == ([], None)
    assert job.check("pin", "perhaps").kind == "refused"


def test_the_end_of_the_job() -> None:
    job = full_dry(Desk(stage="received"))
    job.stage("dry")
    full_dry(job)
    stage_end, job_end = job.finish()
    assert (stage_end.kind, stage_end.stage, job_end.kind) == ("stage_end", "dry", "job_end")
    told = sentence(job_end, "missing_at_stage_end")
    assert "Pressurised was never begun; missing of it: Supply pressure, Lever height." in told
    assert "As received" not in told  # warned of at its own end
    assert {"stage": "received", "kind": "reading", "ref": "supply"}.items() <= job_end.data["missing"][1].items()
    assert job_end.data["unsigned"] == ["technician", "reviewer"]
    assert ids(job_end).count("role_unsigned") == 2


def test_what_is_withdrawn_after_its_stage_is_warned_of_at_the_end() -> None:
    job = full_dry(Desk(stage="dry"))
    job.stage("wet")
    job.command("disregard", "lever")
    told = sentence(job.finish()[-1], "missing_at_stage_end")
    assert "Before pressurising ended, but Lever height has not been said." in told


def test_a_job_without_any_stage_can_end() -> None:
    (end,) = Desk().finish()
    assert end.kind == "job_end"
    assert ids(end).count("missing_at_stage_end") == len(TRADE.stages)


def test_entries_that_still_wait_are_listed_at_the_end() -> None:
    job = Desk(stage="tuned").gauges()
    job.read("effort", "0.8")
    assert job.finish()[-1].data["unconfirmed"] == ["id4"]
