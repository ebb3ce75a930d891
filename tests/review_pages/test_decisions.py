"""A reviewer's decisions as rows: what stands, what is missing again, what a verification objects to."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from capture.bench.resume import load_job, recent_jobs
from capture.errors import UsageError
from capture.judge import JobView
from capture.judge.needs import missing_in
from capture.record import Record, admin, verify
from capture.record.decisions import REVIEWED, decision_body
from capture.review import lookups
from capture.review.lookups_index import NAME, open_index
from capture.review.pages.act import Act
from capture.review.pages.acts import decide, reopen, take_back
from capture.review.pages.rewrite import correct
from capture.review.pages.who import Who
from capture.review.report import report_html
from tests.review_pages.conftest import REVIEWER, TECHNICIAN, finished_job


@pytest.fixture
def act(tmp_path: Path) -> Iterator[Act]:
    with Record.create(tmp_path / "record") as record:
        yield Act(record, finished_job(record), Who(REVIEWER, "reviewer"), "a review")


def entry(act: Act, subject: str, kind: str = "reading") -> str:
    """The id of the last entry about something."""
    rows = [row for row in act.record.rows(act.job) if row.kind == kind and row.body["subject"] == subject]
    return rows[-1].id


def view_of(act: Act) -> JobView:
    found = load_job(act.record, act.job)
    return JobView.of(found.recorded, found.procedure)


def missing(act: Act) -> set[str]:
    found = load_job(act.record, act.job)
    stage = found.procedure.stage("as_received")
    return {f"{need.name} {need.why}" for need in missing_in(found.procedure, view_of(act), stage)}


def listed(act: Act) -> dict[str, Any]:
    with open_index(act.record.folder) as index:
        return lookups.jobs(index).records()[0]


def test_what_is_rejected_or_queried_is_missing_until_taken_back(act: Act) -> None:
    before = missing(act)
    leak, effort = entry(act, "leak", "check"), entry(act, "opening_effort")
    decide(act, leak, "rejected", "a hiss is heard")
    decide(act, effort, "queried", "one point two?")
    assert missing(act) - before == {
        "Leaks under pressure was rejected by the reviewer",
        "Opening effort was queried by the reviewer",
    }
    assert {held.id for held in view_of(act).returned} == {leak, effort}
    assert view_of(act).find(leak) is None
    assert [held.id for held in view_of(act).waiting()] == [effort]
    assert recent_jobs(act.record)[0].returned == 2
    assert (listed(act)["queried"], listed(act)["rejected"]) == (1, 1)
    assert '<del class="value">none</del>' in report_html(act.record, act.job)
    take_back(act, leak)
    decide(act, effort, "accepted", "")
    assert missing(act) == before
    assert (listed(act)["queried"], listed(act)["rejected"]) == (0, 0)
    assert verify(act.record.folder).ok


def test_an_acceptance_settles_what_was_looked_at(act: Act) -> None:
    calm = listed(act)["attention"]
    correct(act, entry(act, "supply_pressure"), "supply pressure 160 psi", "sixty is said")
    high = entry(act, "supply_pressure")
    assert view_of(act).find(high).accepted, "a reviewer who writes it has said that it is so"
    assert act.record.row(high).body["verdict"]["outcome"] == "fail"
    assert listed(act)["attention"] == calm + 1
    decide(act, high, "accepted", "")
    assert listed(act)["attention"] == calm
    assert "accepted in review" in report_html(act.record, act.job)


def test_a_correction_keeps_stage_moment_and_both_values(act: Act) -> None:
    pressure = entry(act, "supply_pressure")
    old = act.record.row(pressure)
    correct(act, pressure, "supply pressure 139 psi", "nine, not eight")
    new = act.record.row(entry(act, "supply_pressure"))
    assert (new.body["replaces"], new.body["stage"], new.body["data"]["value"]) == (pressure, old.body["stage"], "139")
    assert new.body["data"]["instrument"] == old.body["data"]["instrument"]
    assert new.body["review"] == {
        "person": REVIEWER, "role": "reviewer", "reason": "nine, not eight", "taken_at": old.at,
    }  # fmt: skip
    with open_index(act.record.folder) as index:
        day = old.at[:10]
        rows = lookups.by_gauge(index, "PG14", since=day, until=day).records()
        assert "139" in {row["amount"] for row in rows}, "a reading counts as of when it was taken, not reviewed"
        assert "138" not in {row["amount"] for row in rows}


@pytest.mark.parametrize(
    ("line", "reason", "says"),
    [
        ("lever height 2 mm", "why", "something else"),
        ("supply pressure 138 psi", "why", "already"),
        ("supply pressure 139 psi", " ", "reason is missing"),
        ("supply pressure 139 mm", "why", "unit of length"),
        ("the kettle is on", "why", "not understood"),
        ("supply pressure 139 psi leaks none", "why", "one thing only"),
        ("", "why", "empty"),
        ("stage assembled", "why", "something else|Only a value"),
    ],
)
def test_a_correction_that_is_none_is_refused(act: Act, line: str, reason: str, says: str) -> None:
    before = act.record.head()
    with pytest.raises(UsageError, match=says):
        correct(act, entry(act, "supply_pressure"), line, reason)
    assert act.record.head() == before


def test_words_that_were_not_understood_can_be_put_on_record(act: Act) -> None:
    lost = next(row for row in act.record.rows(act.job) if row.kind == "not_understood")
    correct(act, lost.id, "hose chafed", "that is what is said")
    hose = act.record.row(entry(act, "hose", "check"))
    assert hose.body["replaces"] == lost.id
    assert hose.body["stage"] == "as_received"
    assert verify(act.record.folder).ok


def test_who_may_decide(act: Act) -> None:
    effort = entry(act, "opening_effort")
    for who, says in (
        (Who("", "reviewer"), "Nobody is named"),
        (Who(f"  {TECHNICIAN.lower()}", "reviewer"), "different persons"),
        (Who("Somebody", "technician"), "cannot decide"),
        (Who("Somebody", "reader"), "cannot decide"),
    ):
        with pytest.raises(UsageError, match=says):
            decide(Act(act.record, act.job, who, "s"), effort, "accepted", "")
    decide(Act(act.record, act.job, Who(TECHNICIAN, "technician"), "s"), effort, "commented", "I read it twice")
    with pytest.raises(UsageError, match="cannot decide"):
        decide(Act(act.record, act.job, Who("Somebody", "reader"), "s"), effort, "commented", "hm")


def test_what_was_replaced_cannot_be_decided_on(act: Act) -> None:
    effort = entry(act, "opening_effort")
    correct(act, effort, "opening effort 1.3 inH2O", "three")
    with pytest.raises(UsageError, match="taken the place"):
        decide(act, effort, "accepted", "")
    with pytest.raises(UsageError, match="no such entry"):
        decide(act, "nothing", "accepted", "")
    with pytest.raises(UsageError, match="Nothing can be decided"):
        decide(act, next(row.id for row in act.record.rows(act.job) if row.kind == "job_end"), "accepted", "")


def test_a_job_is_reopened_once_and_with_a_reason(act: Act) -> None:
    with pytest.raises(UsageError, match="reason"):
        reopen(act, "  ")
    reopen(act, "two things are not clear")
    assert not load_job(act.record, act.job).finished
    assert load_job(act.record, act.job).technician == TECHNICIAN
    with pytest.raises(UsageError, match="not finished"):
        reopen(act, "again")


BROKEN: list[tuple[str, dict[str, Any], str]] = [
    ("of nothing", {"about": "01a20000-0000-7000-8000-000000000000"}, "does not come before it"),
    ("unknown", {"decision": "waved through"}, "unknown decision"),
    ("by nobody", {"person": ""}, "by nobody"),
    ("without reason", {"decision": "rejected", "comment": ""}, "without its reason"),
    ("of another kind", {"kind": "note"}, "cannot be reviewed"),
]


@pytest.mark.parametrize(("data", "says"), [case[1:] for case in BROKEN], ids=[case[0] for case in BROKEN])
def test_a_verification_objects_to_reviews_that_cannot_be(act: Act, data: dict[str, Any], says: str) -> None:
    row = act.record.row(entry(act, "opening_effort"))
    good = decision_body(row, "accepted", "", REVIEWER, "reviewer")
    _append(act, REVIEWED, good)
    assert verify(act.record.folder).ok
    _append(act, REVIEWED, {**good, "data": {**good["data"], **data}})
    faults = verify(act.record.folder).faults
    assert len(faults) == 1
    assert says in str(faults[0])


@pytest.mark.parametrize("review", [{"person": "", "reason": "x"}, {"person": "A"}, "Milo", {}])
def test_a_verification_objects_to_entries_written_in_review_by_nobody(act: Act, review: Any) -> None:
    row = act.record.row(entry(act, "opening_effort"))
    body = {name: value for name, value in row.body.items() if name not in {"media", "review"}}
    _append(act, "reading", {**body, "replaces": row.id, "review": review})
    assert "written in review" in str(verify(act.record.folder).faults)


def test_row_by_row_and_at_once_make_the_same_index(act: Act) -> None:
    effort, leak = entry(act, "opening_effort"), entry(act, "leak", "check")
    steps = [
        lambda: decide(act, effort, "rejected", "no"),
        lambda: correct(act, effort, "opening effort 1.3 inH2O", "three"),
        lambda: decide(act, leak, "queried", "really?"),
        lambda: decide(act, entry(act, "opening_effort"), "accepted", ""),
        lambda: take_back(act, leak),
        lambda: take_back(act, entry(act, "opening_effort")),
        lambda: take_back(act, entry(act, "opening_effort")),
        lambda: decide(act, leak, "rejected", "no"),
    ]
    for step in steps:
        step()
        with open_index(act.record.folder) as index:
            grown = sorted(index.iterdump())
        (act.record.folder / NAME).unlink()
        with open_index(act.record.folder) as index:
            assert sorted(index.iterdump()) == grown
    assert verify(act.record.folder).ok


def _append(act: Act, kind: str, body: dict[str, Any]) -> None:
    at = admin.job_rows(act.record, act.job)[-1].at
    act.record.append(job=act.job, kind=kind, body=body, at=at, mono=0.0, session="by hand")
