"""Look-ups: every answer is checked against a plain walk through the ledger or a hand-made case."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
import statistics
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from capture.commands.find import command
from capture.errors import UsageError
from capture.record import Record, verify
from capture.review import lookups, lookups_index
from capture.review.lookups_index import NAME, open_index
from capture.review.lookups_rows import room_of
from capture.review.lookups_series import YEAR_S, Fit, Point, fit
from capture.review.lookups_table import Table, as_csv, as_text, defused
from tests.keeping.world import Job, usual_job


def test_lot_of_parts_that_stand(record: Record) -> None:
    one, two, three = (Job(record, serial=f"K7-000{n}") for n in (1, 2, 3))
    one.part("seat", "fitted", "L-2207")
    wrong = two.part("seat", "fitted", "L 2207")
    two.part("seat", "fitted", "L-2208", replaces=wrong.id)
    three.part("diaphragm", "fitted", "l2207", status="unconfirmed")
    three.part("seat", "fitted", "L-2207", status="not_accepted")
    with open_index(record.folder) as index:
        found = lookups.by_lot(index, "l-2207").records()
        assert [(row["unit"], row["part"], row["status"]) for row in found] == [
            ("K7-0001", "seat", "accepted"),
            ("K7-0003", "diaphragm", "unconfirmed"),
        ]
        whole = lookups.by_lot(index, "L2207", replaced=True).records()
        assert [row["stands"] for row in whole] == ["yes", "no", "yes", "no"]
        assert lookups.by_lot(index, "L-2208").total == 1
        assert lookups.by_lot(index, "none").total == 0
        with pytest.raises(UsageError, match="no letter or digit"):
            lookups.by_lot(index, " - ")


def test_gauge_between_two_days_as_they_were_at_the_bench(record: Record) -> None:
    job = Job(record)
    gauge = {"serial": "E-7"}
    for at in ("2031-05-06T23:30:00+10:00", "2031-05-07T00:30:00+10:00", "2031-05-08T23:59:59-11:00"):
        body = job.reading("opening_effort", "1.3").body
        body = {key: value for key, value in body.items() if key != "media"}
        record.append(job=job.id, kind="reading", body=body, at=at, mono=1, session="s")
    with open_index(record.folder) as index:

        def days(**between: str) -> list[str]:
            rows = lookups.by_gauge(index, gauge["serial"], **between).records()
            return [str(row["at"])[:16] for row in rows if not str(row["at"]).endswith("00:00")]

        assert len(days()) == 3
        assert days(until="2031-05-06") == ["2031-05-06T23:30"]
        assert days(since="2031-05-07", until="2031-05-07") == ["2031-05-07T00:30"]
        assert days(since="2031-05-08") == ["2031-05-08T23:59"]
        assert days(since="2031-05-06T14:00:00Z", until="2031-05-06T15:00:00Z") == ["2031-05-07T00:30"]
        assert lookups.by_gauge(index, "E-8").total == 0
        with pytest.raises(UsageError, match="no day or time"):
            days(since="yesterday")
        with pytest.raises(UsageError, match="no day or time"):
            days(since="2031-02-30")


def test_a_gauge_whose_number_is_corrected_later(record: Record) -> None:
    job = Job(record)
    first = job.gauge("effort_gauge", "E-1")
    job.gauge("supply_gauge", "S-1")
    job.reading("opening_effort", "1.31", instrument="E-1")
    job.reading("supply_pressure", "140", instrument="S-1")
    with open_index(record.folder) as index:
        assert lookups.by_gauge(index, "E-1").total == 1
    second = job.gauge("effort_gauge", "E-7", replaces=first.id)
    job.reading("opening_effort", "1.32", instrument="E-7")
    job.gauge("effort_gauge", "E-9", replaces=second.id)
    job.reading("opening_effort", "1.33", instrument="E-9")
    job.gauge("effort_gauge", "E-1")
    job.reading("opening_effort", "1.34", instrument="E-1")
    with open_index(record.folder) as index:
        nine = lookups.by_gauge(index, "E-9").records()
        said = [(row["amount"], row["said_first"]) for row in nine]
        assert said == [("1.31", "E-1"), ("1.32", "E-7"), ("1.33", None)]
        assert [row["amount"] for row in lookups.by_gauge(index, "E-1").records()] == ["1.34"]
        assert lookups.by_gauge(index, "E-7").total == 0
        assert lookups.by_gauge(index, "S-1").total == 1


def test_unit_history_follows_corrections_of_its_number(record: Record) -> None:
    first = usual_job(record, serial="K7-0412")
    second = Job(record, days=400, serial="")
    wrong = second.entry("identity", "serial", {"field": "serial", "value": "K7-0413"})
    with open_index(record.folder) as index:
        assert lookups.by_unit(index, "K7 0413").total == 1
    second.entry("identity", "serial", {"field": "serial", "value": "K7-0412"}, replaces=wrong.id)
    with open_index(record.folder) as index:
        found = lookups.by_unit(index, "k70412").records()
        assert [row["job"] for row in found] == [second.id, first.id]
        assert [row["ended"] for row in found] == ["no", "yes"]
        assert lookups.by_unit(index, "K7-0413").total == 0
        assert [row["stands"] for row in lookups.by_unit(index, "K7-0413", replaced=True).records()] == ["no"]


def test_near_limit_on_both_sides(record: Record) -> None:
    job = Job(record)
    for value in ("1.3", "1.14", "1.08", "1.51"):
        job.reading("opening_effort", value, limits=("1.1", "1.5"), outcome="undecided")
    job.reading("one_sided", "9.5", limits=(None, "10"))
    gone = job.reading("opening_effort", "1.1")
    job.entry("withdrawn", "opening_effort", {"subject": "opening_effort", "id": gone.id}, replaces=gone.id)
    with open_index(record.folder) as index:
        found = lookups.near_limit(index).records()
        assert [(row["amount"], row["room"]) for row in found] == [
            ("1.51", -0.025),
            ("1.08", -0.05),
            ("9.5", 0.05),
            ("1.14", 0.1),
        ]
        assert lookups.near_limit(index, within=0.05, field="one_sided").total == 1
        short = lookups.near_limit(index, limit=2)
        assert (len(short.rows), short.total) == (2, 4)
        with pytest.raises(UsageError, match="there are: one_sided, opening_effort"):
            lookups.near_limit(index, field="nothing")


@pytest.mark.parametrize(
    ("amount", "low", "high", "room"),
    [("1.2", "1.1", "1.5", 0.25), ("5", None, None, None), ("12", "10", None, 0.2), ("1", "1", "1", None)],
)
def test_room(amount: str, low: str | None, high: str | None, room: float | None) -> None:
    assert room_of(amount, low, high) == pytest.approx(room)


def test_drift_of_units_over_years(record: Record) -> None:
    for years, creeping, steady in ((0, "1.20", "1.30"), (1, "1.25", "1.31"), (2, "1.30", "1.30"), (3, "1.35", "1.31")):
        for serial, value in (("K7-0001", creeping), ("K7-0002", steady)):
            job = Job(record, days=365.2425 * years, serial=serial)
            job.reading("opening_effort", "2.0")
            job.reading("opening_effort", value)
            job.reading("opening_effort", "9", status="unconfirmed")
    with open_index(record.folder) as index:
        first, second = lookups.drift(index, "Opening effort").records()
        assert (first["unit"], first["readings"], first["change"]) == ("K7-0001", 4, 0.15)
        assert first["per_year"] == pytest.approx(0.05, abs=1e-6)
        assert first["score"] == pytest.approx(0.15 / 0.015, abs=0.01)
        assert second["unit"] == "K7-0002"
        values = lookups.drift_of(index, "opening_effort", "K7-0001").records()
        assert len(values) == 12
        assert [row["change"] for row in values[:2]] == [0, -0.8]
        assert lookups.drift_of(index, "opening_effort", "K7-9999").total == 0


@given(
    st.lists(
        st.tuples(st.floats(0, 30, width=32), st.floats(-100, 100, width=32)),
        min_size=2,
        max_size=12,
        unique_by=lambda pair: round(pair[0], 2),
    )
)
def test_the_line_is_that_of_the_standard_library(pairs: list[tuple[float, float]]) -> None:
    pairs = sorted(pairs)
    line = fit([Point("", t * YEAR_S, value, 0.0) for t, value in pairs])
    slope, _ = statistics.linear_regression(*zip(*pairs, strict=True))
    assert line.per_year == pytest.approx(slope, rel=1e-5, abs=1e-6)


def test_the_line_of_one_moment_says_nothing() -> None:
    assert fit([Point("", 5.0, 1.0, 0.1), Point("", 5.0, 2.0, 0.1)]) == Fit(0.0, 0.0)
    assert fit([Point("", 0.0, 1.0, 0.0), Point("", YEAR_S, 2.0, 0.0)]) == Fit(1.0, 0.0)


def test_corrections_by_person(record: Record) -> None:
    ada, ben = Job(record, technician="Ada Brook"), Job(record, technician="Ben Carr")
    wrong = ada.reading("opening_effort", "1.5")
    ada.reading("opening_effort", "1.3", replaces=wrong.id)
    asked = ada.reading("opening_effort", "1.6", status="unconfirmed")
    ada.reading("opening_effort", "1.6", replaces=asked.id, more={"confirmed": True})
    ada.reading("opening_effort", "1.2", via="photo")
    with open_index(record.folder):
        pass
    taken = ben.reading("opening_effort", "1.4")
    ben.entry("withdrawn", "opening_effort", {"subject": "opening_effort", "id": taken.id}, replaces=taken.id)
    ben.append("handed_over", {"kind": "handed_over", "data": {"technician": "Cy Dell", "from": "Ben Carr"}})
    ben.reading("supply_pressure", "140")
    with open_index(record.folder) as index:
        assert lookups.corrections(index).rows == (
            ("Ada Brook", "opening_effort", 2, 1, 0, 1, 0.5),
            ("Ben Carr", "opening_effort", 1, 0, 1, 0, 1.0),
            ("Cy Dell", "supply_pressure", 1, 0, 0, 0, 0.0),
        )


def test_a_row_may_only_replace_one_of_its_own_job(record: Record) -> None:
    one, two = Job(record), Job(record)
    mine = one.part("seat", "fitted", "L-1")
    two.part("seat", "fitted", "L-2", replaces=mine.id)
    with open_index(record.folder) as index:
        assert lookups.by_lot(index, "L-1").total == 1


def test_jobs_by_need_of_attention(record: Record) -> None:
    calm, bad = usual_job(record), Job(record)
    bad.reading("opening_effort", "1.9", outcome="fail")
    waits = bad.reading("opening_effort", "1.45", outcome="undecided", status="unconfirmed")
    bad.entry("check", "leak", {"check": "leak", "answer": "none"}, status="unconfirmed")
    with open_index(record.folder) as index:
        found = lookups.jobs(index).records()
        assert [(row["job"], row["attention"]) for row in found] == [(bad.id, 3), (calm.id, 0)]
        assert [row["unconfirmed"] for row in found] == [2, 0]
        newest = lookups.jobs(index, by_attention=False, limit=1, skip=1)
        assert [row["job"] for row in newest.records()] == [calm.id]
        assert newest.total == 2
    bad.reading("opening_effort", "1.45", replaces=waits.id, more={"confirmed": True})
    with open_index(record.folder) as index:
        assert lookups.jobs(index, limit=1).records()[0]["unconfirmed"] == 1


def _dump(index: sqlite3.Connection) -> list[str]:
    return sorted(line for line in index.iterdump() if line.startswith("INSERT"))


def test_row_by_row_and_at_once_make_the_same_index(record: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(4):
        usual_job(record, days=number * 100, serial=f"K7-000{number % 2}")
        with open_index(record.folder) as index:
            grown = _dump(index)
    (record.folder / NAME).unlink()
    told: list[tuple[str, int, int]] = []
    monkeypatch.setattr(lookups_index, "BATCH", 7)
    with open_index(record.folder, lambda *news: told.append(news)) as index:
        assert _dump(index) == grown
    assert told[-1][1:] == (record.head().seq, record.head().seq)
    assert verify(record.folder).ok


def test_an_index_that_does_not_fit_is_made_anew(record: Record, tmp_path: Path) -> None:
    usual_job(record)
    path = record.folder / NAME
    with open_index(record.folder) as index:
        good = _dump(index)
    with Record.create(tmp_path / "other") as other:
        usual_job(other)
        usual_job(other)
        with open_index(other.folder):
            pass
        foreign = (other.folder / NAME).read_bytes()
    spoilt = [b"not a database", b"", foreign, path.read_bytes()[:6000], b"\0" * 9000]
    for content in spoilt:
        path.write_bytes(content)
        with open_index(record.folder) as index:
            assert _dump(index) == good
    with sqlite3.connect(path) as db:
        db.execute("UPDATE state SET version = 0")
        db.execute("DELETE FROM part")
    db.close()
    with open_index(record.folder) as index:
        assert _dump(index) == good
    assert verify(record.folder).ok


def test_a_folder_that_cannot_hold_an_index_still_answers(record: Record) -> None:
    usual_job(record)
    (record.folder / NAME).mkdir()
    with open_index(record.folder) as index:
        assert lookups.by_lot(index, "L-2207").total == 1


def test_rows_that_are_no_entries_are_passed_over(record: Record) -> None:
    job = usual_job(record)
    for body in ({"kind": "reading", "data": None}, {"data": {"field": 1}}, {"data": []}, {"replaces": "x", "data": 3}):
        for kind in ("reading", "part", "identity", "instrument", "opened"):
            job.append(kind, body)
    job.reading("opening_effort", "abc")
    with open_index(record.folder) as index:
        assert lookups.by_unit(index, "K7-0412").total == 1
        assert lookups.corrections(index).rows[0][2] == 1


@pytest.mark.parametrize("text", ["=1+1", "+44", "-2+3", "@SUM(A1)", "\t=1", "  =1", "＝1", "\r=1", "-"])
def test_cells_that_would_start_a_formula_are_defused(text: str) -> None:
    assert defused(text).startswith("'")
    (_, (cell,)) = csv.reader(io.StringIO(as_csv(Table(("a",), ((text,),), 1))))
    assert cell.startswith("'")


@pytest.mark.parametrize(("cell", "text"), [(-1.5, "-1.5"), ("-0.25", "-0.25"), (None, ""), (3, "3"), ("K7-1", "K7-1")])
def test_other_cells_stay(cell: str | float | None, text: str) -> None:
    assert defused(cell) == text


def test_text_for_a_terminal_has_no_control_characters() -> None:
    shown = as_text(Table(("a_b", "c"), (("x\x1b[31m\u202ey", 1), ("寸", None)), 2))
    assert shown == "a b      c\nx [31my  1\n寸"
    assert as_text(Table(("a",), (), 0)) == "nothing found"
    assert as_text(Table(("at",), (("2031-05-06T09:19:00.000+02:00",),), 1)) == "at\n2031-05-06 09:19"


def test_the_command_in_all_its_forms(record: Record) -> None:
    for days in (0, 300):
        usual_job(record, days=days)
    place = ["--record", str(record.folder)]
    run = CliRunner().invoke
    for arguments in (
        ["lot", "L-2207"],
        ["gauge", "E-7", "--from", "2031-01-01", "--to", "2033-01-01"],
        ["unit", "K7-0412"],
        ["near-limit", "--within", "0.6"],
        ["drift", "opening_effort"],
        ["drift", "opening_effort", "--unit", "K7-0412"],
        ["corrections"],
    ):
        text = run(command, [*arguments, *place])
        assert text.exit_code == 0, text.output
        assert "nothing found" not in text.output
        found = json.loads(run(command, [*arguments, *place, "--json"]).output)
        assert found["total"] == len(found["rows"]) > 0
        rows = list(csv.DictReader(io.StringIO(run(command, [*arguments, *place, "--csv"]).output)))
        assert [list(row) for row in rows] == [list(row) for row in found["rows"]]
    few = run(command, ["lot", "L-2207", "--limit", "1", *place])
    assert "1 of 2 shown; --limit 0 shows all." in few.stderr
    both = run(command, ["lot", "L-2207", "--csv", "--json", *place])
    assert isinstance(both.exception, UsageError)
