"""The main job against the trade's own check values: common practice, no source."""

from __future__ import annotations

import pytest

from capture.phrases.statements import NoteSaid
from tests.judge.desk import SPAN, Desk, ids, sentence
from tests.judge.test_talk import identity


@pytest.mark.parametrize(
    ("stage", "field", "value", "outcome"),
    [
        # Supply (intermediate) pressure for tuning 125 to 145 psi.
        ("wet", "supply", "135", "pass"),
        ("wet", "supply", "120", "fail"),
        ("wet", "supply", "150", "fail"),
        # Lever tips 2 to 4 mm above the rim before pressurising.
        ("dry", "lever", "3.1", "pass"),
        ("dry", "lever", "1.8", "fail"),
        ("dry", "lever", "4.3", "fail"),
        # Never below the rim; about 0.5 mm above it at most once the cover is on.
        ("wet", "lever", "-0.2", "fail"),
        ("closed", "lever", "-0.1", "fail"),
        ("closed", "lever", "0.3", "pass"),
        ("closed", "lever", "0.7", "fail"),
        # Opening effort wanted 1.0 to 1.2 inches of water.
        ("tuned", "effort", "1.1", "pass"),
        ("tuned", "effort", "0.85", "fail"),
        ("tuned", "effort", "1.3", "fail"),
        # The adjusting spring's tip stands 0.5 mm proud.
        ("dry", "proud", "0.5", "pass"),
        ("dry", "proud", "0.9", "fail"),
    ],
)
def test_limits(stage: str, field: str, value: str, outcome: str) -> None:
    entry = Desk(stage=stage).gauges().read(field, value)
    assert entry.verdict is not None
    assert (entry.verdict.outcome, entry.verdict.source) == (outcome, "common practice, no source")
    assert ("out_of_limits" in ids(entry)) == (outcome == "fail")


@pytest.mark.parametrize(("dry", "wet", "usual"), [("3.1", "2.1", True), ("3.1", "3.0", False), ("3.1", "1.2", False)])
def test_the_lever_sinks_by_about_a_millimetre_under_pressure(dry: str, wet: str, usual: bool) -> None:
    job = Desk(stage="dry").gauges()
    job.read("lever", dry)
    job.stage("wet")
    assert ("unexpected_change" in ids(job.read("lever", wet))) == (not usual)


def test_a_first_value_below_nine_tenths_allows_one_twelfth_once() -> None:
    job = Desk(stage="tuned").gauges()
    job.read("effort", "0.85")
    assert ids(job.turn("orifice", "1/12")) == []  # 30 degrees
    job.read("effort", "0.88")
    assert "turn_budget" in ids(job.turn("orifice", "1/12"))


def test_a_first_value_of_nine_tenths_does_not() -> None:
    job = Desk(stage="tuned").gauges()
    job.read("effort", "0.95")
    assert "turn_budget" in ids(job.turn("orifice", "1/12"))


def test_two_twelfths_at_once_are_too_much() -> None:
    job = Desk(stage="tuned").gauges()
    job.read("effort", "0.85")
    assert "turn_budget" in ids(job.turn("orifice", "1/6"))


@pytest.mark.parametrize(("after", "usual"), [("1.08", True), ("1.2", False)])
def test_a_quarter_turn_of_the_spring_moves_the_effort_by_less_than_a_tenth(after: str, usual: bool) -> None:
    job = Desk(stage="tuned").gauges()
    job.read("effort", "1.03")
    job.turn("spring", "1/4")
    assert ("unexpected_rate" in ids(job.read("effort", after))) == (not usual)


def test_the_pin_comes_before_the_lever_and_the_cap_after_tuning() -> None:
    job = Desk(stage="dry")
    assert ids(job.check("upright")) == ["out_of_order"]
    assert ids(job.check("cap")) == ["out_of_order"]


def test_lever_tips_stand_upright() -> None:
    job = Desk(stage="dry")
    job.check("pin")
    assert ids(job.check("upright", "no")) == ["check_not_good"]


@pytest.mark.parametrize(("again", "holds"), [("1.12", True), ("1.0", False)])
def test_the_effort_holds_after_repressurising(again: str, holds: bool) -> None:
    job = Desk(stage="tuned").gauges()
    job.read("effort", "1.1")
    job.stage("closed")
    job.stage("repeat")
    entry = job.read("effort", again)
    assert ("repeat_differs" in ids(entry)) == (not holds)
    assert ("readjust" in sentence(entry, "repeat_differs")) == (not holds)


def test_a_whole_job_done_well_has_no_warning() -> None:
    job = Desk(stage="received").gauges()
    job.say(identity("K704"))
    job.read("supply", "137")
    job.stage("dry")
    for part, quantity in (("seat", 1), ("ring", 3)):
        job.part(part, "removed", quantity)
        job.part(part, "fitted", quantity, "L22")
    job.part("tie", "fitted")
    job.check("pin")
    job.check("upright")
    job.read("proud", "0.5")
    job.read("lever", "3.05")
    job.photo(3.02)
    job.stage("wet")
    job.read("supply", "135")
    job.read("lever", "2.05")
    job.stage("tuned")
    job.read("effort", "0.85")
    job.command("confirm")
    job.turn("orifice", "1/12")
    job.read("effort", "1.06")
    job.turn("spring", "1/4")
    job.read("effort", "1.1")
    job.stage("closed")
    job.check("cap")
    job.read("lever", "0.3")
    job.stage("repeat")
    job.read("supply", "135.5")
    job.read("effort", "1.11")
    job.say(NoteSaid(text="held after repressurising", **SPAN))
    job.sign("technician", "Ada")
    job.sign("reviewer", "Grace")
    job.finish()
    standing = {held.id for held in job.view.standing}
    warned = [
        (item.entry.kind, item.entry.subject, warning.id)
        for item in job.recorded
        for warning in item.entry.warnings
        if item.id in standing or item.entry.kind.endswith("_end")
    ]
    # The first effort was low, was confirmed, and stays on record as what it was.
    assert warned == [("reading", "effort", "out_of_limits")]
    assert job.recorded[-1].entry.data["missing"] == []
