"""Readings: status, verdict, warnings about themselves and their gauges."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta, timezone
from decimal import Decimal

import pytest

from capture.judge import Candidate, Moment
from tests.judge.desk import Desk, ids, reading, sentence
from tests.judge.trade import TRADE


def desk(stage: str = "tuned") -> Desk:
    return Desk(stage=stage).gauges()


def test_a_good_reading_is_accepted_as_it_stands() -> None:
    entry = desk().read("effort", "1.1")
    assert (entry.status, ids(entry)) == ("accepted", [])
    assert entry.verdict is not None
    assert (entry.verdict.outcome, entry.verdict.low, entry.verdict.high) == ("pass", "1.0", "1.2")
    assert entry.data == {
        "field": "effort",
        "value": "1.1",
        "unit": "inH2O",
        "amount": "1.1",
        "default_unit": "inH2O",
        "expanded": "0.02",
        "unit_assumed": False,
        "via": "voice",
        "view": None,
        "instrument": "G1",
    }
    assert (entry.stage, entry.subject, entry.words) == ("tuned", "effort", "so it was said")


@pytest.mark.parametrize(
    ("value", "outcome", "status", "warnings"),
    [
        ("1.02", "pass", "accepted", []),
        ("1.01", "undecided", "accepted", ["guard_band"]),
        ("1.2", "undecided", "accepted", ["guard_band"]),
        ("1.21", "undecided", "unconfirmed", ["guard_band"]),
        ("0.98", "undecided", "unconfirmed", ["guard_band"]),
        ("0.97", "fail", "unconfirmed", ["out_of_limits"]),
        ("1.4", "fail", "unconfirmed", ["out_of_limits"]),
        ("5.1", "fail", "unconfirmed", ["implausible", "out_of_limits"]),
        ("0.09", "fail", "unconfirmed", ["implausible", "out_of_limits"]),
    ],
)
def test_limits_and_plausibility(value: str, outcome: str, status: str, warnings: list[str]) -> None:
    entry = desk().read("effort", value)
    assert entry.verdict is not None
    assert (entry.verdict.outcome, entry.status, ids(entry)) == (outcome, status, warnings)


def test_without_a_limit_at_the_stage_there_is_no_verdict() -> None:
    entry = desk("received").read("effort", "1.9")
    assert (entry.verdict, entry.status, ids(entry)) == (None, "accepted", [])


def test_the_verdict_is_in_the_default_unit_and_the_words_keep_both() -> None:
    entry = desk("wet").read("supply", "10.5", "bar")
    assert entry.data["value"] == "10.5"
    assert entry.data["unit"] == "bar"
    assert Decimal(entry.data["amount"]).quantize(Decimal("0.001")) == Decimal("152.290")  # 1e6 Pa / 6894.757 Pa
    assert entry.verdict is not None
    assert (entry.verdict.unit, entry.verdict.outcome) == ("psi", "fail")
    assert "152.3 psi (10.5 bar as said)" in sentence(entry, "out_of_limits")
    assert "upper limit of 145 psi" in sentence(entry, "out_of_limits")


def test_sentences_use_names_and_written_units() -> None:
    said = sentence(desk().read("effort", "0.8"), "out_of_limits")
    assert "Opening effort is 0.8 inches of water, uncertain by 0.02 inches of water, below the lower limit" in said
    assert "1 inch of water" in said
    assert "effort " not in said.replace("Opening effort", "")


def test_doubtful_words_wait() -> None:
    entry = desk().read("effort", "1.1", doubts=("Fifteen may have been fifty.",))
    assert (entry.status, ids(entry)) == ("unconfirmed", ["words_doubtful"])
    assert "Fifteen may have been fifty." in sentence(entry, "words_doubtful")


def test_an_assumed_unit_waits() -> None:
    entry = desk().say(reading("effort", "1.1", "inH2O", unit_assumed=True))
    assert (entry.status, ids(entry)) == ("unconfirmed", ["unit_assumed"])


def test_another_meaning_of_the_words_waits_only_when_it_is_plausible() -> None:
    likely = desk("received").say(reading("supply", "135", "psi", alternatives=(Decimal(135), Decimal(131))))
    assert ids(likely) == ["words_doubtful"]
    assert "131" in sentence(likely, "words_doubtful")
    unlikely = desk("received").say(reading("supply", "135", "psi", alternatives=(Decimal(1), Decimal("1.35"))))
    assert (unlikely.status, ids(unlikely)) == ("accepted", [])


def test_the_simple_rule_needs_no_uncertainty() -> None:
    entry = desk("dry").read("proud", "0.6")
    assert entry.verdict is not None
    assert (entry.verdict.outcome, entry.verdict.expanded) == ("pass", None)
    assert ids(entry) == []
    assert ids(desk("dry").read("proud", "0.7")) == ["out_of_limits"]


def test_a_gauge_that_is_too_coarse_is_named_so() -> None:
    coarse = replace(TRADE.instrument("water"), standard_uncertainty=Decimal("0.06"))
    others = tuple(coarse if kind.id == "water" else kind for kind in TRADE.instruments)
    entry = Desk(replace(TRADE, instruments=others), "tuned").gauges().read("effort", "1.1")
    assert ids(entry) == ["guard_band"]
    assert "too coarse" in sentence(entry, "guard_band")


def test_sentences_near_a_single_limit() -> None:
    said = sentence(desk("wet").read("lever", "0.01"), "guard_band")
    assert "too close to the limit of at least 0 millimetres to be sure" in said
    said = sentence(desk().read("effort", "1.0"), "guard_band")
    assert "too close to the limits of 1 to 1.2 inches of water to be sure" in said


def test_no_gauge_named() -> None:
    entry = Desk(stage="tuned").read("effort", "1.1")
    assert (entry.status, ids(entry), entry.data["instrument"]) == ("accepted", ["instrument_missing"], None)
    assert "Say which water gauge is in use, with its number." in sentence(entry, "instrument_missing")
    entry = Desk(stage="wet").read("supply", "135")
    assert "Say which supply gauge is in use, with its number and due date." in sentence(entry, "instrument_missing")


@pytest.mark.parametrize(
    ("kind", "field", "serial", "due", "warnings"),
    [
        ("supply_gauge", "supply", "G1", "2026-03-02", []),
        ("supply_gauge", "supply", "G1", "2026-03-01", ["instrument_overdue"]),
        ("supply_gauge", "supply", "G1", None, ["instrument_missing"]),
        ("supply_gauge", "supply", None, "2026-12-31", ["instrument_missing"]),
        ("supply_gauge", "supply", None, None, ["instrument_missing", "instrument_missing"]),
        ("water", "effort", "G1", None, []),
    ],
)
def test_gauges(kind: str, field: str, serial: str | None, due: str | None, warnings: list[str]) -> None:
    job = Desk(stage="received")
    assert ids(job.gauge(kind, serial, due)) == warnings
    entry = job.read(field, {"supply": "135", "effort": "1.1"}[field])
    assert (ids(entry), entry.data["instrument"], entry.status) == (warnings, serial, "accepted")


def test_a_better_gauge_named_later_counts_from_there_on() -> None:
    job = Desk(stage="received")
    job.gauge("supply_gauge", "OLD", "2026-01-31")
    assert ids(job.read("supply", "135")) == ["instrument_overdue"]
    job.gauge("supply_gauge", "NEW", "2026-12-31")
    entry = job.read("supply", "135")
    assert (ids(entry), entry.data["instrument"]) == ([], "NEW")


def test_the_day_is_the_bench_s_own() -> None:
    job = Desk(stage="received")
    job.gauge("supply_gauge", "G1", "2026-03-02")
    late = datetime(2026, 3, 2, 23, 30, tzinfo=timezone(timedelta(hours=-5)))  # 3 March in UTC
    (entry,) = job.judged(Candidate(statement=reading("supply", "135", "psi")), Moment(late, 50000.0, "two"))
    assert ids(entry) == []


def test_before_any_stage() -> None:
    entry = Desk().gauges().read("effort", "1.1")
    assert (ids(entry), entry.verdict, entry.stage) == (["no_stage"], None, None)


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        (reading("effort", "1.1", "mm"), "wrong_unit"),
        (reading("effort", "1.1", "furlong"), "wrong_unit"),
        (reading("nothing", "1.1", "mm"), "not_in_procedure"),
        (reading("effort", "NaN", "inH2O"), "bad_number"),
        (reading("effort", "Infinity", "inH2O"), "bad_number"),
    ],
)
def test_what_cannot_be_judged_is_kept_as_refused(said: object, reason: str) -> None:
    job = desk()
    entry = job.say(said)  # type: ignore[arg-type]
    assert (entry.kind, entry.status, entry.data["reason"]) == ("refused", "not_accepted", reason)
    assert entry.words == "so it was said"
    assert job.view.last("reading") is None


def test_media_missing_is_said_once() -> None:
    entry = desk().read("effort", "1.1", has_media=False)
    assert (entry.status, ids(entry)) == ("accepted", ["media_missing"])


def test_the_rest_of_a_broken_off_reading_is_no_value_of_its_own() -> None:
    bare = {"words": "four inches of water"}
    job = desk()
    job.say(reading("effort", "1.1", "inH2O", unit_assumed=True))
    entry = job.say(reading("effort", "1.12", "inH2O", **bare))
    assert (entry.status, ids(entry)) == ("unconfirmed", ["words_doubtful"])
    assert "rest of" in sentence(entry, "words_doubtful")
    same = desk()
    same.say(reading("effort", "1.1", "inH2O", unit_assumed=True))
    assert same.say(reading("effort", "1.1", "inH2O", **bare)).status == "accepted"
    whole = desk()
    whole.say(reading("effort", "1.1", "inH2O"))
    assert whole.say(reading("effort", "1.12", "inH2O", **bare)).status == "accepted"
    named = desk()
    named.say(reading("effort", "1.1", "inH2O", unit_assumed=True))
    name = TRADE.reading("effort").spoken[0]
    assert named.say(reading("effort", "1.12", "inH2O", words=f"{name} one point nought inches")).status == "accepted"
