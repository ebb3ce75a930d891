"""Photographs: the picture's entry and its value's entry."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from capture.judge import Candidate, PhotoResult
from capture.phrases.statements import PhotoSaid
from tests.judge.desk import SPAN, Desk, ids, sentence
from tests.judge.trade import TRADE


def test_a_measured_photo_is_a_picture_and_a_reading() -> None:
    job = Desk(stage="dry")
    result = PhotoResult("side", "measured", 3.0004, 0.0512345, measurement={"tilt_deg": 0.4, "at": (1, 2)})
    photo, reading = job.judged(Candidate(photo=result))
    assert (photo.kind, photo.subject, photo.status, photo.stage) == ("photo", "side", "accepted", "dry")
    assert photo.data == {
        "view": "side", "outcome": "measured", "reason": None, "sentence": None,
        "measurement": {"tilt_deg": 0.4, "at": [1, 2]},
    }  # fmt: skip
    assert (reading.kind, reading.subject, reading.status, ids(reading)) == ("reading", "lever", "accepted", [])
    assert reading.data["value"] == "3.0004"
    assert reading.data["expanded"] == "0.0513"
    assert (reading.data["via"], reading.data["view"], reading.data["unit"]) == ("photo", "side", "mm")
    assert reading.data["instrument"] is None
    assert reading.verdict is not None
    assert reading.verdict.outcome == "pass"


def test_a_photo_is_judged_in_the_reading_s_own_unit() -> None:
    lever = replace(TRADE.reading("lever"), units=("in", "mm"), limits=(), changes=())
    procedure = replace(TRADE, readings=(lever, *TRADE.readings[1:]))
    entry = Desk(procedure, "dry").photo(2.54, 0.0254)
    assert (entry.data["value"], entry.data["unit"]) == ("2.54", "mm")
    assert (entry.data["amount"], entry.data["default_unit"], entry.data["expanded"]) == ("0.1", "in", "0.001")


def test_a_confirmed_photo_keeps_its_uncertainty() -> None:
    lever = replace(TRADE.reading("lever"), units=("in", "mm"), plausible_low=Decimal("0.5"), limits=(), changes=())
    job = Desk(replace(TRADE, readings=(lever, *TRADE.readings[1:])), "dry")
    waiting = job.photo(2.54, 0.0254)
    assert (waiting.status, ids(waiting)) == ("unconfirmed", ["implausible"])
    assert job.command("confirm").data == {**waiting.data, "confirmed": True}
    unknown = job.photo(2.54, None)
    assert job.command("confirm").data == {**unknown.data, "confirmed": True}


def test_limits_hold_for_photos_too() -> None:
    job = Desk(stage="closed")
    entry = job.photo(0.56)
    assert (entry.status, ids(entry)) == ("unconfirmed", ["out_of_limits"])
    job.command("disregard")
    assert ids(job.photo(0.54)) == ["guard_band"]


@pytest.mark.parametrize("expanded", [None, math.nan, math.inf, -1.0])
def test_without_a_usable_uncertainty_the_simple_rule_is_named(expanded: float | None) -> None:
    entry = Desk(stage="closed").photo(0.5, expanded)
    assert entry.data["expanded"] is None
    assert entry.verdict is not None
    assert (entry.verdict.outcome, entry.verdict.expanded) == ("pass", None)
    assert "no uncertainty is known" in entry.verdict.rule


@pytest.mark.parametrize("outcome", ["refused", "not_measured"])
def test_what_could_not_be_measured(outcome: str) -> None:
    job = Desk(stage="dry")
    result: Any = PhotoResult("side", outcome, reason="blurred", sentence="It is blurred; hold still.")  # type: ignore[arg-type]
    (entry,) = job.judged(Candidate(photo=result))
    assert ids(entry) == ["photo_refused"]
    assert "was not measured: It is blurred; hold still." in sentence(entry, "photo_refused")
    assert entry.status == ("not_accepted" if outcome == "refused" else "accepted")
    assert job.view.last("reading") is None


@pytest.mark.parametrize("value", [math.nan, math.inf, None])
def test_a_value_that_is_none_is_a_refusal(value: float | None) -> None:
    (entry,) = Desk(stage="dry").judged(Candidate(photo=PhotoResult("side", "measured", value, 0.1)))
    assert (entry.kind, entry.data["outcome"], ids(entry)) == ("photo", "refused", ["photo_refused"])


def test_a_view_that_measures_nothing() -> None:
    (entry,) = Desk(stage="dry").judged(Candidate(photo=PhotoResult("whole", "not_measured", sentence="Kept.")))
    assert (entry.status, ids(entry)) == ("accepted", [])


def test_an_unknown_view_is_kept() -> None:
    (entry,) = Desk(stage="dry").judged(Candidate(photo=PhotoResult("other", "measured", 1.0, 0.1)))
    assert (entry.kind, entry.status) == ("not_understood", "not_accepted")
    assert "no photo view 'other'" in entry.data["sentence"]


def test_reservations_go_with_the_value() -> None:
    flags = (("tilted", "The camera was tilted by 12 degrees."),)
    photo, reading = Desk(stage="dry").judged(Candidate(photo=PhotoResult("side", "measured", 3.0, 0.1, flags=flags)))
    assert (ids(photo), ids(reading), reading.status) == ([], ["photo_doubtful"], "accepted")
    assert "tilted by 12 degrees" in sentence(reading, "photo_doubtful")


def test_a_picture_belongs_to_the_stage_that_asked_for_it() -> None:
    job = Desk(stage="wet")
    job.say(PhotoSaid(view="side", **SPAN))
    job.stage("tuned")
    first, second = job.photo(2.0), job.photo(1.5)
    assert (first.stage, second.stage) == ("wet", "tuned")


def test_a_second_try_belongs_to_the_stage_of_the_first() -> None:
    job = Desk(stage="wet")
    job.say(PhotoSaid(view="side", **SPAN))
    job.photo(None, outcome="refused", sentence="It is blurred; hold still.")
    job.stage("tuned")
    assert "photo_awaited" not in [i for item in job.recorded for i in ids(item.entry)]
    assert job.photo(2.0).stage == "wet"


def test_a_picture_that_could_not_be_kept() -> None:
    job = Desk(stage="dry")
    photo, reading = job.judged(Candidate(photo=PhotoResult("side", "measured", 3.0, 0.1), has_media=False))
    assert (ids(photo), ids(reading)) == (["media_missing"], [])


def test_before_any_stage() -> None:
    photo, reading = Desk().judged(Candidate(photo=PhotoResult("side", "measured", 3.0, 0.1)))
    assert (ids(photo), photo.stage, reading.verdict) == (["no_stage"], None, None)
