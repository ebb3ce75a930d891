"""The kit: lots, too many, left over, missing."""

from __future__ import annotations

import pytest

from capture.judge import Entry
from tests.judge.desk import Desk, ids, parted, sentence


def job_end(job: Desk) -> Entry:
    return job.finish()[-1]


def kit_ids(entry: Entry) -> list[str]:
    return [i for i in ids(entry) if i.startswith("part_")]


def full_kit(*, seat: int = 1, seat_out: int = 1, ring: int = 3, ring_out: int = 3, tie: int = 1) -> Desk:
    job = Desk(stage="dry")
    for part, action, quantity in (
        ("seat", "removed", seat_out), ("ring", "removed", ring_out), ("seat", "fitted", seat),
        ("ring", "fitted", ring), ("tie", "fitted", tie),
    ):  # fmt: skip
        if quantity:
            job.part(part, action, quantity, "L1")
    return job


def test_a_kit_that_adds_up() -> None:
    end = job_end(full_kit())
    assert kit_ids(end) == []
    assert end.data["kit"] == [
        {"part": "seat", "name": "Seat", "kit": 1, "fitted": 1, "removed": 1},
        {"part": "ring", "name": "O-ring", "kit": 3, "fitted": 3, "removed": 3},
        {"part": "tie", "name": "Mouthpiece tie", "kit": 1, "fitted": 1, "removed": 0},
    ]


@pytest.mark.parametrize(
    ("changed", "expected", "words"),
    [
        ({"ring": 2}, ["part_left_over"], "O-ring: 2 of 3 fitted, 1 left over; 3 old came out, so 1 may be missing"),
        ({"ring": 2, "ring_out": 2}, ["part_left_over"], "O-ring: 2 of 3 fitted, 1 left over."),
        ({"ring": 0, "ring_out": 0}, ["part_left_over"], "O-ring: 0 of 3 fitted, 3 left over."),
        ({"ring_out": 2}, ["part_missing"], "O-ring: 3 fitted but 2 old removed, 1 old not accounted for."),
        ({"ring_out": 4}, ["part_missing"], "O-ring: 4 old removed but 3 new fitted, 1 new missing in the unit."),
        ({"ring": 4, "ring_out": 4}, ["part_too_many"], "O-ring: 4 are on record as fitted, but the kit holds 3."),
        ({"ring": 4}, ["part_too_many", "part_missing"], "O-ring: 4 fitted but 3 old removed"),
        ({"tie": 0}, ["part_left_over"], "Mouthpiece tie: 0 of 1 fitted, 1 left over."),
    ],
)
def test_a_kit_that_does_not(changed: dict[str, int], expected: list[str], words: str) -> None:
    end = job_end(full_kit(**changed))
    assert kit_ids(end) == expected
    assert any(words in warning.sentence for warning in end.warnings)


def test_too_many_are_said_at_once() -> None:
    job = Desk(stage="dry")
    assert ids(job.part("ring", "fitted", 2)) == []
    entry = job.part("ring", "fitted", 2)
    assert ids(entry) == ["part_too_many"]
    assert "4 are on record" in sentence(entry, "part_too_many")
    assert ids(job.correct(parted("ring", "fitted", 1))) == []


def test_lot() -> None:
    job = Desk(stage="dry")
    entry = job.part("seat", "fitted")
    assert (ids(entry), entry.status) == (["lot_missing"], "accepted")
    assert ids(job.correct(parted("seat", "fitted", 1, "B7"))) == []
    assert ids(job.part("seat", "removed")) == []
    assert ids(job.part("ring", "fitted", 3)) == []


def test_doubtful_parts_do_not_count_until_confirmed() -> None:
    job = full_kit(tie=0)
    assert job.part("tie", "fitted", doubts=("Tie may have been five.",)).status == "unconfirmed"
    assert "0 of 1 fitted (1 more not confirmed)" in sentence(job_end(job), "part_left_over")
    job.command("confirm")
    assert kit_ids(job_end(job)) == []


def test_corrections_count_by_action() -> None:
    job = full_kit(ring=2)
    job.correct(parted("ring", "fitted", 3))
    assert kit_ids(job_end(job)) == []
    job.correct(parted("ring", "removed", 2))
    assert kit_ids(job_end(job)) == ["part_missing"]


@pytest.mark.parametrize("quantity", [0, -2])
def test_no_parts_are_no_statement(quantity: int) -> None:
    entry = Desk(stage="dry").part("ring", "fitted", quantity)
    assert (entry.kind, entry.data["reason"]) == ("refused", "bad_number")
