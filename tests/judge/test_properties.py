"""What must hold whatever is said, in whatever order, in every procedure."""

from __future__ import annotations

import ast
from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as hy

from capture.judge import WARNINGS, Candidate, Entry, JobView, Moment, PhotoResult, judge
from capture.judge import judging as judging_module
from capture.judge.entry import Severity, Status
from capture.judge.view import VALUE_KINDS
from capture.phrases import statements as st
from capture.procedure import load_procedure, shipped
from capture.procedure.model import Procedure
from capture.units import QUANTITIES
from tests.judge.desk import SPAN, START, Desk
from tests.judge.trade import TRADE

NAMES = ["trade", *shipped()]


@cache
def procedure_of(name: str) -> Procedure:
    return TRADE if name == "trade" else load_procedure(shipped()[name])


def pick(items: Any) -> hy.SearchStrategy[str]:
    return hy.sampled_from([item.id for item in items]) | hy.just("unknown")


def said(procedure: Procedure) -> hy.SearchStrategy[st.Said]:
    numbers = hy.decimals(-5, 400, places=2, allow_nan=False) | hy.just(Decimal("NaN"))
    span = {key: hy.just(value) for key, value in SPAN.items()}
    readings = hy.sampled_from(procedure.readings).flatmap(
        lambda reading: hy.builds(
            st.ReadingSaid,
            field=hy.just(reading.id),
            value=numbers | hy.sampled_from([reading.plausible_low, reading.plausible_high]),
            unit=hy.sampled_from([*reading.units, *QUANTITIES[reading.quantity], "mm", "psi", "nonsense"]),
            unit_assumed=hy.booleans(),
            alternatives=hy.lists(hy.decimals(0, 200, places=1), max_size=2).map(tuple),
            **span,
        )
    )
    checks = hy.sampled_from(procedure.checks).flatmap(
        lambda check: hy.builds(st.CheckSaid, check=hy.just(check.id), answer=pick(check.answers), **span)
    )
    lot = hy.none() | hy.sampled_from(["L1", "B22"])
    plain = hy.one_of(
        readings,
        readings,
        checks,
        hy.builds(
            st.TurnSaid,
            counter=pick(procedure.counters),
            turns=hy.fractions(-2, 2, max_denominator=12),
            direction=hy.just("in"),
            **span,
        ),
        hy.builds(
            st.PartSaid,
            part=pick(procedure.parts),
            action=hy.sampled_from(["fitted", "removed"]),
            quantity=hy.integers(-1, 4),
            lot=lot,
            **span,
        ),
        hy.builds(
            st.InstrumentSaid,
            kind=pick(procedure.instruments),
            serial=lot,
            due=hy.none() | hy.dates(date(2025, 1, 1), date(2028, 1, 1)),
            **span,
        ),
        hy.builds(st.IdentitySaid, field=pick(procedure.identities), value=hy.sampled_from(["K7", "K8"]), **span),
        hy.builds(st.StageSaid, stage=pick(procedure.stages), **span),
        hy.builds(st.PhotoSaid, view=pick(procedure.photos), **span),
        hy.builds(st.NoteSaid, text=hy.text(max_size=5), **span),
        hy.builds(st.SignOffSaid, role=pick(procedure.roles), **span),
        hy.builds(st.Refused, reason=hy.just("x"), sentence=hy.just("No."), field=pick(procedure.readings), **span),
        hy.builds(st.NotUnderstood, sentence=hy.just("Say again."), **span),
    )
    command = hy.builds(
        st.CommandSaid,
        command=hy.sampled_from(get_args(st.CommandWord)),
        field=hy.none() | pick(procedure.readings),
        **span,
    )
    correction = hy.builds(st.CorrectionSaid, statement=hy.none() | plain | command, **span)
    return hy.one_of(plain, plain, plain, command, correction)


def candidates(procedure: Procedure) -> hy.SearchStrategy[Candidate]:
    odd = hy.floats(-3, 8) | hy.sampled_from([float("nan"), float("inf")]) | hy.none()
    photos = hy.builds(
        PhotoResult,
        view=pick(procedure.photos),
        outcome=hy.sampled_from(["measured", "refused", "not_measured"]),
        value_mm=odd,
        expanded_mm=odd,
        flags=hy.sampled_from([(), (("tilt", "Tilted."),)]),
        measurement=hy.just({"tilt": 1.5}),
    )
    doubts = hy.sampled_from([(), (), (), ("Perhaps misheard.",)])
    person = hy.none() | hy.sampled_from(["Ada", "Grace"])
    return hy.builds(
        Candidate, statement=said(procedure), doubts=doubts, person=person, has_media=hy.booleans()
    ) | hy.builds(Candidate, photo=photos)


def jobs(name: str) -> hy.SearchStrategy[list[Candidate]]:
    return hy.lists(candidates(procedure_of(name)), max_size=25)


def run(name: str, wanted: list[Candidate]) -> Desk:
    job = Desk(procedure_of(name))
    for candidate in wanted:
        job.judged(candidate)
    return job


def each_procedure(test: Callable[[str, Any], None]) -> Any:
    return pytest.mark.parametrize("name", NAMES)(settings(max_examples=60, deadline=None)(given(hy.data())(test)))


@each_procedure
def test_nothing_that_is_said_raises_and_all_of_it_is_sound(name: str, data: Any) -> None:
    job = run(name, data.draw(jobs(name)))
    job.finish()
    stood: set[str] = set()
    for item in job.recorded:
        check_entry(item.entry)
        if item.entry.replaces is not None:
            assert item.entry.replaces not in stood, "an entry is replaced twice"
            stood.add(item.entry.replaces)
    assert stood <= {item.id for item in job.recorded}


def check_entry(entry: Entry) -> None:
    assert entry.status in get_args(Status)
    for warning in entry.warnings:
        assert WARNINGS[warning.id].severity == warning.severity
        assert warning.sentence.strip()[-1] in ".!?", warning.sentence
        assert warning.todo.strip()[-1] == ".", warning.todo
        assert "None" not in warning.sentence
        assert "Fraction" not in warning.sentence
    if entry.kind == "reading":
        implausible = any(warning.id == "implausible" for warning in entry.warnings)
        assert not (implausible and entry.status == "accepted" and not entry.data.get("confirmed"))
        assert (entry.data["expanded"] is None) or Decimal(entry.data["expanded"]) >= 0
        if entry.verdict is not None and entry.verdict.outcome == "pass":
            amount = Decimal(entry.verdict.amount)
            assert entry.verdict.low is None or amount >= Decimal(entry.verdict.low)
            assert entry.verdict.high is None or amount <= Decimal(entry.verdict.high)
    if entry.advice is not None:
        assert entry.advice.caution
    if entry.status == "accepted" and entry.kind in VALUE_KINDS:
        assert "words_doubtful" not in [warning.id for warning in entry.warnings]


@each_procedure
def test_nothing_is_lost(name: str, data: Any) -> None:
    """Every candidate leaves at least one entry with its words, and nothing that stood is gone without a trace."""
    job = Desk(procedure_of(name))
    for candidate in data.draw(jobs(name)):
        before = {held.id for held in job.view.standing}
        entries = job.judged(candidate)
        if isinstance(candidate.statement, st.Said):
            assert any(entry.words == candidate.statement.words for entry in entries)
        gone = before - {held.id for held in job.view.standing}
        assert gone == {entry.replaces for entry in entries if entry.replaces is not None} & before


@each_procedure
def test_withdrawing_everything_gives_the_empty_view(name: str, data: Any) -> None:
    job = run(name, data.draw(jobs(name)))
    for _ in range(2 * len(job.recorded) + 2):
        job.command("disregard")
    view = job.view
    assert (view.standing, view.stage, view.waiting()) == ((), None, [])
    fresh, old = Desk(procedure_of(name)).finish()[-1], job.finish()[-1]
    assert old.data["kit"] == fresh.data["kit"]
    assert [(item["stage"], item["ref"]) for item in old.data["missing"]] == [
        (item["stage"], item["ref"]) for item in fresh.data["missing"]
    ]


@each_procedure
def test_the_same_question_has_the_same_answer(name: str, data: Any) -> None:
    procedure = procedure_of(name)
    job = run(name, data.draw(jobs(name)))
    candidate = data.draw(candidates(procedure))
    view = job.view
    moment = Moment(START + timedelta(seconds=job.seconds + 1), job.seconds + 1, "one")
    first = judge(procedure, view, candidate, moment)
    assert repr(first) == repr(judge(procedure, JobView.of(job.recorded, procedure), candidate, moment))


@pytest.mark.parametrize("name", NAMES[1:])
def test_all_that_can_be_said_can_be_judged(name: str) -> None:
    from capture.phrases import sentences

    job = Desk(procedure_of(name))
    for _, statement in sentences(procedure_of(name), 7, 250):
        check_entry(job.say(statement))
    assert {"reading", "turn", "check", "part", "instrument", "stage"} <= {item.entry.kind for item in job.recorded}
    job.finish()


@given(st_turns=hy.lists(hy.fractions(-1, 1, max_denominator=12), max_size=8))
def test_a_budget_is_exceeded_exactly_when_the_sum_is(st_turns: list[Fraction]) -> None:
    job = Desk(stage="tuned")
    total = Fraction(0)
    for turns in st_turns:
        entry = job.turn("spring", str(turns))
        total += abs(turns)
        assert ("turn_budget" in [warning.id for warning in entry.warnings]) == (total > 1)
        assert Fraction(entry.data["stage_total"]) == total


def test_every_kind_of_warning_is_given_somewhere_and_no_other() -> None:
    given_: set[str] = set()
    for path in Path(judging_module.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "warned":
                assert isinstance(node.args[0], ast.Constant)
                given_.add(str(node.args[0].value))
    assert given_ | {"photo_unasked"} == set(WARNINGS)  # that one is for a picture that never reaches the judge
    for id_, kind in WARNINGS.items():
        assert kind.id == id_
        assert kind.severity in get_args(Severity)
        assert kind.title
        assert kind.meaning.endswith(".")
