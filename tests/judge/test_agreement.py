"""Readings against each other: stage to stage, repeated, per turn, spoken with photographed."""

from __future__ import annotations

import pytest

from tests.judge.desk import Desk, ids, reading, sentence, turned


def desk(stage: str) -> Desk:
    return Desk(stage=stage).gauges()


@pytest.mark.parametrize(
    ("later", "warned"),
    [
        ("2.0", False),
        ("1.75", False),  # -1.25: within -1.2 by the combined uncertainty 0.057
        ("1.74", True),
        ("2.25", False),
        ("2.26", True),
        ("3.0", True),
    ],
)
def test_change_between_stages(later: str, warned: bool) -> None:
    job = desk("dry")
    job.read("lever", "3.0")
    job.stage("wet")
    entry = job.read("lever", later)
    assert ids(entry) == (["unexpected_change"] if warned else [])
    assert entry.status == ("unconfirmed" if warned else "accepted")
    if warned:
        assert "expected -1.2 to -0.8 millimetres" in sentence(entry, "unexpected_change")


def test_change_uses_the_last_standing_value() -> None:
    job = desk("dry")
    job.read("lever", "3.9")
    job.read("lever", "3.0")
    job.stage("wet")
    assert ids(job.read("lever", "2.0")) == []


def test_change_knows_corrections() -> None:
    job = desk("dry")
    job.read("lever", "3.9")
    job.correct(reading("lever", "3.0", "mm"))
    job.stage("wet")
    assert ids(job.read("lever", "2.0")) == []


def test_a_correction_of_the_early_value_is_compared_with_the_later_one() -> None:
    job = desk("dry")
    job.read("lever", "3.0")
    job.stage("wet")
    job.read("lever", "2.0")
    job.stage("dry")
    entry = job.correct(reading("lever", "2.4", "mm"))
    assert (entry.stage, ids(entry)) == ("dry", ["unexpected_change"])
    assert "from 2.4 millimetres to 2 millimetres" in sentence(entry, "unexpected_change")


def test_a_new_value_after_going_back_is_not_compared_with_the_outdated_one() -> None:
    job = desk("dry")
    job.read("lever", "3.0")
    job.stage("wet")
    job.read("lever", "2.0")
    job.stage("dry")
    assert ids(job.read("lever", "2.4")) == []


def test_an_implausible_value_is_no_reference() -> None:
    job = desk("dry")
    job.read("lever", "3.0")
    job.read("lever", "30")
    job.stage("wet")
    assert ids(job.read("lever", "2.0")) == []


def test_changes_convert_units() -> None:
    job = desk("dry")
    job.read("lever", "0.12", "in")  # 3.048 mm
    job.stage("wet")
    assert ids(job.read("lever", "2.05")) == []
    assert ids(job.read("lever", "0.12", "in")) == ["unexpected_change"]


@pytest.mark.parametrize(("again", "warned"), [("135", False), ("138", True), ("137", False), ("131", True)])
def test_repeat(again: str, warned: bool) -> None:
    job = desk("wet")
    job.read("supply", "135")
    job.stage("tuned")
    job.stage("closed")
    job.stage("repeat")
    entry = job.read("supply", again)
    assert ids(entry) == (["repeat_differs"] if warned else [])
    assert entry.status == ("unconfirmed" if warned else "accepted")


def test_repeat_allows_for_uncertainty() -> None:
    job = desk("tuned")
    job.read("effort", "1.05")
    job.stage("repeat")
    assert ids(job.read("effort", "1.128")) == []  # 0.078 < 0.05 + sqrt(2) 0.02
    assert ids(job.read("effort", "1.129")) == ["repeat_differs"]


@pytest.mark.parametrize(
    ("turns", "after", "warned"),
    [
        ("1/4", "1.10", False),
        ("1/4", "1.18", True),  # +0.13; at most 0.1 + 0.028
        ("1/2", "1.18", False),
        ("1/4", "1.02", True),  # -0.03; at least 0.01 - 0.028
        ("-1/4", "1.02", False),
        ("-1/4", "1.09", True),
    ],
)
def test_rate(turns: str, after: str, warned: bool) -> None:
    job = desk("tuned")
    job.read("effort", "1.05")
    job.turn("spring", turns)
    entry = job.read("effort", after)
    assert [i for i in ids(entry) if i != "guard_band"] == (["unexpected_rate"] if warned else [])
    assert (entry.status == "unconfirmed") == warned
    if warned:
        way = "out" if turns.startswith("-") else "in"
        assert f"after a quarter turn {way} of Adjusting spring" in sentence(entry, "unexpected_rate")


def test_rate_sums_moves_since_the_previous_reading() -> None:
    job = desk("tuned")
    job.read("effort", "1.03")
    job.turn("spring", "1/4")
    job.turn("spring", "1/4")
    assert "unexpected_rate" not in ids(job.read("effort", "1.17"))


def test_rate_is_silent_when_two_counters_moved_or_they_went_back() -> None:
    job = desk("tuned")
    job.read("effort", "0.85")
    job.turn("spring", "1/4")
    job.turn("orifice", "1/12")
    assert "unexpected_rate" not in ids(job.read("effort", "1.1"))
    job.turn("spring", "1/4")
    job.turn("spring", "-1/4")
    assert "unexpected_rate" not in ids(job.read("effort", "1.15"))


def test_rate_after_a_corrected_turn() -> None:
    job = desk("tuned")
    job.read("effort", "1.03")
    job.turn("spring", "1/4")
    job.command("read_back")
    job.correct(turned("spring", "1/2"))
    assert "unexpected_rate" not in ids(job.read("effort", "1.17"))


def test_a_turn_corrected_after_the_reading_lies_before_it() -> None:
    job = desk("tuned")
    job.read("effort", "1.05")
    job.turn("spring", "1/4")
    job.read("effort", "1.10")
    job.correct(turned("spring", "1/2"))
    assert "unexpected_rate" not in ids(job.read("effort", "1.10"))
    assert [held.entry.kind for held in job.view.standing][-4:] == ["reading", "turn", "reading", "reading"]


def test_rates_do_not_cross_a_declared_change() -> None:
    job = desk("tuned")
    job.read("effort", "1.05")
    job.turn("spring", "1")
    job.stage("repeat")
    assert ids(job.read("effort", "1.06")) == []


# Voice U = 0.04 mm, photo U = 0.05 mm: together 0.0640 mm.
@pytest.mark.parametrize(("photo", "warned"), [(3.06, False), (3.065, True), (2.94, False), (2.93, True)])
@pytest.mark.parametrize("photo_first", [False, True])
def test_photo_and_voice(photo: float, warned: bool, photo_first: bool) -> None:
    job = desk("dry")
    if photo_first:
        first, second = job.photo(photo), job.read("lever", "3.0")
    else:
        first, second = job.read("lever", "3.0"), job.photo(photo)
    assert (first.status, ids(first)) == ("accepted", [])
    assert ids(second) == (["photo_disagrees"] if warned else [])
    assert second.status == ("unconfirmed" if warned else "accepted")
    if warned:
        assert "said to be 3 millimetres" in sentence(second, "photo_disagrees")


def test_photo_of_another_stage_or_after_a_turn_is_not_compared() -> None:
    job = desk("tuned")
    job.read("lever", "2.0")
    job.turn("spring", "1/4")
    assert "photo_disagrees" not in ids(job.photo(1.5))
    job.stage("closed")
    assert "photo_disagrees" not in ids(job.read("lever", "0.3"))


def test_disagreement_goes_before_other_comparisons_until_confirmed() -> None:
    job = desk("dry")
    job.read("lever", "3.0")
    job.photo(3.0)
    job.stage("wet")
    job.read("lever", "2.0")
    assert ids(job.photo(2.6)) == ["photo_disagrees"]
    confirmed = job.command("confirm")
    assert (confirmed.status, confirmed.data["via"]) == ("accepted", "photo")
    assert ids(confirmed) == ["unexpected_change", "photo_disagrees"]


def test_a_correction_that_agrees_with_the_photo_is_accepted() -> None:
    job = desk("dry")
    job.read("lever", "2.5")
    assert job.photo(3.0).status == "unconfirmed"
    entry = job.correct(reading("lever", "3.0", "mm"))
    assert (entry.status, ids(entry)) == ("accepted", [])
