"""Turns: totals, budgets, locks, and the advice that follows from rates."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

import pytest

from capture.judge import Advice
from capture.judge.advice import GENERAL_CAUTION, steps_needed
from capture.judge.say import turns
from capture.procedure.model import Rate, Unlock
from tests.judge.desk import Desk, ids, sentence, turned
from tests.judge.trade import TRADE


def desk(effort: str | None = None) -> Desk:
    job = Desk(stage="tuned").gauges()
    if effort is not None:
        job.read("effort", effort)
    return job


def advice(given: Advice | None) -> str:
    assert given is not None
    assert given.caution == "Test values only; follow the maker's manual."
    return given.sentence


def test_totals() -> None:
    job = desk()
    job.stage("wet")
    job.turn("spring", "1/4")
    job.stage("tuned")
    job.turn("spring", "1/2")
    entry = job.turn("spring", "-1/4")
    assert entry.data == {
        "counter": "spring", "turns": "-1/4", "direction": "out", "stage_total": "3/4", "net": "1/2",
    }  # fmt: skip
    assert entry.status == "accepted"


def test_a_budget_of_turns_counts_both_ways() -> None:
    job = desk()
    assert ids(job.turn("spring", "3/4")) == []
    assert ids(job.turn("spring", "-1/4")) == []
    entry = job.turn("spring", "1/12")
    assert (entry.status, ids(entry)) == ("unconfirmed", ["turn_budget"])
    assert "turned 1 1/12 turns in all in Tuning; allowed are 1 turn" in sentence(entry, "turn_budget")


def test_other_stages_have_other_budgets() -> None:
    job = desk()
    job.turn("spring", "1")
    job.stage("closed")
    assert ids(job.turn("spring", "2")) == []


def test_a_correction_frees_the_budget_again() -> None:
    job = desk()
    job.turn("spring", "1")
    assert ids(job.correct(turned("spring", "1/4"))) == []
    entry = job.turn("spring", "3/4")
    assert (ids(entry), entry.data["stage_total"], entry.data["net"]) == ([], "1", "1")


def test_a_withdrawn_turn_does_not_count() -> None:
    job = desk()
    job.turn("spring", "1")
    job.command("disregard")
    assert job.turn("spring", "1").data["stage_total"] == "1"


@pytest.mark.parametrize(
    ("effort", "locked"), [("0.85", False), ("0.89", False), ("0.9", True), ("1.1", True), (None, True)]
)
def test_a_locked_budget(effort: str | None, locked: bool) -> None:
    entry = desk(effort).turn("orifice", "1/12")
    assert ids(entry) == (["turn_budget"] if locked else [])
    if locked:
        why = "no Opening effort is on record yet" if effort is None else "is not below 0.9 inches of water"
        assert why in sentence(entry, "turn_budget")


def test_once_only() -> None:
    job = desk("0.85")
    assert ids(job.turn("orifice", "1/12")) == []
    job.read("effort", "0.88")
    entry = job.turn("orifice", "1/12")
    assert ids(entry) == ["turn_budget", "turn_budget"]
    assert "moved 2 times in Tuning; allowed is once" in sentence(entry, "turn_budget")


def test_a_value_that_may_be_misheard_opens_nothing() -> None:
    job = desk()
    job.read("effort", "0.85", doubts=("Eighty five may have been ninety five.",))
    entry = job.turn("orifice", "1/12")
    assert ids(entry) == ["turn_budget"]
    assert "is not confirmed" in sentence(entry, "turn_budget")
    job.command("disregard")
    job.command("confirm")
    assert ids(job.turn("orifice", "1/12")) == []


def test_opened_from_above() -> None:
    above = replace(TRADE.counter("orifice").budgets[0], unlock=Unlock("effort", None, Decimal("1.5")))
    counters = (replace(TRADE.counter("orifice"), budgets=(above,)), TRADE.counter("spring"))
    procedure = replace(TRADE, counters=counters)
    for value, expected in (("1.6", []), ("1.5", ["turn_budget"]), ("0.5", ["turn_budget"])):
        job = Desk(procedure, "tuned").gauges()
        job.read("effort", value)
        assert ids(job.turn("orifice", "-1/12")) == expected


def test_turning_back_on_a_locked_counter_is_a_move_too() -> None:
    assert ids(desk("1.1").turn("orifice", "-1/12")) == ["turn_budget"]


def test_what_is_left_is_said_with_each_turn() -> None:
    job = desk("0.85")
    assert advice(job.turn("spring", "1/4").advice) == "Left for Adjusting spring in this stage: 3 quarter turns."
    assert advice(job.turn("orifice", "1/12").advice) == "Left for Orifice in this stage: nothing."


def test_advice_leads_to_the_middle() -> None:
    sentence_ = advice(desk("0.95").read("effort", "0.95").advice)
    # 0.15 missing; middle of the spring's rate 0.055 per quarter turn: 2.7, so 3 quarter turns in.
    assert "Adjusting spring: 3 quarter turns (3 steps of a quarter turn) in would bring Opening effort to" in sentence_
    assert "the middle of the limits, 1.1 inches of water" in sentence_
    assert "Left of its budget in Tuning before that: 1 turn." in sentence_
    # 0.95 is not below 0.9, so the orifice stays locked.
    assert "Orifice: a twelfth of a turn in would bring" in sentence_
    assert "locked in this stage: the last Opening effort is not below 0.9 inches of water" in sentence_


def test_advice_follows_the_other_direction() -> None:
    assert "3 quarter turns (3 steps of a quarter turn) out would" in advice(desk().read("effort", "1.25").advice)


def test_advice_is_limited_by_what_is_left() -> None:
    job = desk("0.7")
    job.turn("spring", "3/4")
    job.turn("orifice", "1/12")
    sentence_ = advice(job.read("effort", "0.75").advice)
    assert "but only a quarter turn is left of its budget in Tuning" in sentence_
    assert "no turn is left of its budget in Tuning: do not turn it" in sentence_
    over = job.turn("spring", "1/2")
    assert ids(over) == ["turn_budget"]
    assert advice(over.advice) == "Left for Adjusting spring in this stage: nothing."


def test_the_unlocking_value_opens_its_own_advice() -> None:
    sentence_ = advice(desk().read("effort", "0.85").advice)
    assert "Orifice: a twelfth of a turn in would bring" in sentence_
    assert "locked" not in sentence_


def test_no_advice_when_it_passes_or_is_not_believed() -> None:
    assert desk().read("effort", "1.1").advice is None
    assert desk().read("effort", "9").advice is None
    assert Desk(stage="received").gauges().read("effort", "0.7").advice is None
    assert desk().read("lever", "-0.5").advice is None


def test_a_procedure_without_cautions_gets_the_general_one() -> None:
    job = Desk(replace(TRADE, cautions=()), "tuned").gauges()
    given = job.read("effort", "0.95").advice
    assert given is not None
    assert given.caution == GENERAL_CAUTION


@pytest.mark.parametrize(
    ("low", "high", "difference", "steps"),
    [
        ("0.01", "0.09", "0.15", 3),
        ("0.01", "0.09", "-0.15", -3),
        ("-0.09", "-0.01", "0.15", -3),
        ("0.05", "0.05", "0.02", 0),
        ("0.05", "0.05", "0.025", 1),
        ("0.05", "0.05", "0", 0),
        ("-0.01", "0.09", "0.15", None),
        ("0", "0.1", "0.15", None),
        ("0", "0", "0.15", None),
    ],
)
def test_steps_needed(low: str, high: str, difference: str, steps: int | None) -> None:
    rate = Rate("spring", Fraction(1, 4), Decimal(low), Decimal(high), "")
    assert steps_needed(rate, Fraction(1, 4), Decimal(difference)) == steps
    assert steps_needed(rate, Fraction(0), Decimal(difference)) is None


@pytest.mark.parametrize(
    ("amount", "words"),
    [
        ("1/4", "a quarter turn"),
        ("-3/4", "3 quarter turns"),
        ("1/12", "a twelfth of a turn"),
        ("5/12", "5 twelfths of a turn"),
        ("1", "1 turn"),
        ("3", "3 turns"),
        ("5/4", "1 1/4 turns"),
        ("1/7", "1/7 of a turn"),
        ("1/2", "half a turn"),
        ("0", "0 turns"),
    ],
)
def test_turns_in_words(amount: str, words: str) -> None:
    assert turns(Fraction(amount)) == words


def test_order_of_turns_and_checks() -> None:
    job = desk("0.85")
    assert ids(job.check("cap")) == ["out_of_order"]
    job.turn("orifice", "1/12")
    assert ids(job.check("cap")) == []
