"""A live job from its opening to its end: sound and pictures in, entries in the record, nothing lost on the way."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from capture.bench.live_desk import Desk
from capture.bench.live_source import Practice
from capture.bench.session import Looked
from capture.errors import CaptureError, EnvironmentFault, UsageError
from capture.judge.entry import PhotoResult
from capture.record import verify
from tests.live.stand_ins import Bench, SilentVoice, bursts, make_bench

BEGIN = [
    "stage as received",
    "serial number kilo seven dash zero four one two",
    "using supply gauge papa golf one four due november twenty ninety",
    "supply pressure one five two p s i",
    "opening effort one point two inches of water",
]
ASSEMBLY = ["stage assembly", "lever height three point zero five millimetres", "photo lever side"]


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    """Makes benches in one folder, each as after a new start, and closes them."""
    benches: list[Bench] = []

    def make(*lines: str, **facts: Any) -> Bench:
        bench = make_bench(tmp_path, lines, **facts)
        benches.append(bench)
        return bench

    yield make
    for bench in benches:
        bench.desk.close()
        bench.record.close()


def settle(desk: Desk) -> None:
    end = time.monotonic() + 20
    while not desk.live.idle:
        assert time.monotonic() < end
        time.sleep(0.01)
    desk.live.do(lambda: None)


def hear(bench: Bench, count: int, seed: int = 1) -> None:
    """Let so many of the bench's lines be spoken."""
    sound = bursts(count, seed=seed)
    for at in range(0, len(sound), 3200):
        bench.desk.live.ear.feed(sound[at : at + 3200])
    settle(bench.desk)


def kinds(bench: Bench, job: str | None = None) -> list[str]:
    return [row.kind for row in bench.record.rows(job)]


def test_a_whole_job_by_voice_and_pictures(made: Callable[..., Bench]) -> None:
    bench = made(*BEGIN, "confirm supply pressure", *ASSEMBLY)
    desk = bench.desk
    desk.open_job("lever_valve", "Rhea Okoro", "owner's tag 7")
    job = desk.live.session.job
    hear(bench, len(BEGIN))
    board = desk.board()
    assert [held["value"] for held in board["waiting"]] == ["152 psi"]
    assert board["waiting"][0]["say"] == "confirm supply pressure"
    assert board["last"][0]["value"] == "1.2 inH\u2082O", "the question did not block the next reading"
    assert board["unit"] == [{"name": "Serial number", "value": "K7-0412"}]
    hear(bench, 4)
    board = desk.board()
    assert board["waiting"] == []
    assert board["asked"] == "lever_side"
    desk.live.photo(b"a picture", "image/png", None, "one.png")
    board = desk.board()
    assert board["asked"] is None
    assert board["last"][0]["value"] == "3.02 mm"
    assert board["last"][0]["tone"] == "good"
    assert board["last"][0]["picture"]
    assert {told.data["cue"] for told in bench.told if told.kind == "cue"} == {"heard", "stored", "warning"}
    desk.finish()
    assert not desk.has_job
    assert any("Diaphragm" in line for line in desk.board()["ended"]["missing"])
    assert kinds(bench, job)[-2:] == ["stage_end", "job_end"]
    assert not list((bench.record.folder / "live").iterdir()), "the spool is empty: all sound is in the record"
    rows = list(bench.record.rows(job))
    clips = [ref for row in rows for ref in row.media if ref.kind == "clip"]
    assert len(clips) >= len(BEGIN) + 4
    (source,) = [row for row in rows if row.kind == "source"]
    assert bench.record.read_media(source.media[0].sha256)[:4] == b"fLaC"
    check = verify(bench.record.folder)
    assert check.ok, check.faults


def test_while_a_picture_is_measured_the_page_says_so(made: Callable[..., Bench]) -> None:
    bench = made()
    seen: list[str] = []
    bench.desk._measure = lambda procedure: (
        lambda data, view: (
            seen.append(bench.desk.board()["busy"]) or Looked(PhotoResult(view, "not_measured"), None)  # type: ignore[func-returns-value]
        )
    )
    bench.desk.open_job("lever_valve", "Rhea Okoro", "")
    bench.desk.live.photo(b"a picture", "image/png", "case_open", "one.png")
    assert seen == ["The picture is being measured."]
    assert bench.desk.board()["busy"] == ""


def test_every_entry_has_the_time_when_it_was_said(made: Callable[..., Bench]) -> None:
    bench = made(*BEGIN)
    bench.desk.open_job("lever_valve", "Rhea Okoro", "")
    hear(bench, len(BEGIN))
    said = [row for row in bench.record.rows() if "heard" in row.body]
    for number, row in enumerate(said):
        assert row.mono == pytest.approx(0.8 + number * 1.4, abs=0.05), "bursts of 0.6 s between pauses of 0.8 s"
        assert row.body["heard"]["start_s"] == pytest.approx(row.mono, abs=0.05)


def test_left_and_taken_up_again_another_day(made: Callable[..., Bench]) -> None:
    first = made("stage assembly", "photo lever side")
    first.desk.open_job("lever_valve", "Rhea Okoro", "owner's tag 7")
    job = first.desk.live.session.job
    hear(first, 2)
    first.desk.pause()
    (listed,) = first.desk.board()["jobs"]
    assert (listed["state"], listed["reference"]) == ("left", "owner's tag 7")
    first.record.close()

    again = made("lever height three point one millimetres", "sign off as technician")
    again.desk.resume(job, "Imre Falk")
    board = again.desk.board()
    assert board["stage"]["id"] == "assembled"
    assert board["asked"] == "lever_side", "the picture that was asked for is still awaited"
    assert board["reference"] == "owner's tag 7"
    hear(again, 1)
    again.desk.hand_over("Noor Visser")
    hear(again, 1, seed=2)
    signed = next(row for row in again.record.rows(job) if row.kind == "sign_off")
    assert signed.body["data"]["person"] == "Noor Visser"
    assert kinds(again, job).count("opened") == 1
    life = [(row.kind, row.body["data"].get("technician")) for row in again.record.rows(job)]
    assert ("resumed", "Imre Falk") in life
    assert ("handed_over", "Noor Visser") in life
    assert len({row.session for row in again.record.rows(job)}) == 2
    assert not [row for row in again.record.rows(job) for warning in row.body.get("warnings", ())
                if warning["id"] == "clock_jumped"]  # fmt: skip


def test_a_finished_job_is_opened_again_only_with_a_reason(made: Callable[..., Bench]) -> None:
    bench = made()
    bench.desk.open_job("lever_valve", "Rhea Okoro", "")
    job = bench.desk.live.session.job
    bench.desk.live.typed("stage as received")
    bench.desk.finish()
    with pytest.raises(UsageError, match="finished; open it again and say why"):
        bench.desk.resume(job, "Rhea Okoro")
    with pytest.raises(UsageError, match="reason is missing"):
        bench.desk.reopen(job, "Rhea Okoro", " ")
    bench.desk.reopen(job, "Imre Falk", "the owner reports a leak")
    bench.desk.live.typed("leaks at the hose")
    bench.desk.finish()
    rows = list(bench.record.rows(job))
    assert [row.kind for row in rows].count("job_end") == 2
    (again,) = [row for row in rows if row.kind == "reopened"]
    assert again.body["data"] == {"technician": "Imre Falk", "reason": "the owner reports a leak"}


@pytest.mark.parametrize(
    ("act", "sentence"),
    [
        (
            lambda desk: desk.open_job("diving bell", "R", ""),
            "no procedure 'diving bell' here; choose one of lever_valve",
        ),
        (lambda desk: desk.open_job("lever_valve", "", ""), "technician is missing"),
        (lambda desk: desk.open_job("lever_valve", "R" * 121, ""), "longer than 120"),
        (lambda desk: desk.resume("no such job", "R"), "no job named"),
        (lambda desk: desk.live, "No job is open"),
        (lambda desk: desk.practise(0), "No job is open"),
    ],
)
def test_what_cannot_be_is_said_plainly(made: Callable[..., Bench], act: Callable[[Desk], Any], sentence: str) -> None:
    with pytest.raises(UsageError, match=sentence):
        act(made().desk)


def test_a_second_job_cannot_be_opened_over_the_first(made: Callable[..., Bench]) -> None:
    desk = made().desk
    desk.open_job("lever_valve", "Rhea Okoro", "")
    with pytest.raises(UsageError, match="leave or finish it first"):
        desk.open_job("lever_valve", "Rhea Okoro", "")


def test_what_was_being_said_at_a_crash_is_heard_when_the_job_is_taken_up(made: Callable[..., Bench]) -> None:
    crashed = made(*BEGIN[:2])
    crashed.desk.open_job("lever_valve", "Rhea Okoro", "")
    job, session = crashed.desk.live.session.job, crashed.desk.live.session.session
    hear(crashed, 2)
    listener = crashed.desk.live._listener
    listener.accept = lambda pcm: []  # type: ignore[method-assign]
    hear(crashed, 2, seed=2)
    before = len(kinds(crashed, job))
    # The power fails here: nothing is closed, nothing more is written.
    crashed.desk._live = None
    crashed.record.close()

    again = made(*BEGIN[2:4])
    again.desk.resume(job, "")
    rows = list(again.record.rows(job))
    new = [row for row in rows[before:] if "heard" in row.body]
    assert [row.body["words"] for row in new] == BEGIN[2:4]
    assert {row.session for row in new} == {session}, "they belong to the session in which they were said"
    resumed = next(row for row in rows if row.kind == "resumed")
    assert resumed.body["data"]["recovered_utterances"] == 2
    assert resumed.body["data"]["technician"] == "Rhea Okoro"
    assert [row.kind for row in rows].count("source") == 1
    again.desk.pause()
    assert verify(again.record.folder).ok


def test_a_full_disk_loses_nothing(made: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch) -> None:
    bench = made(*BEGIN)
    desk = bench.desk
    desk.open_job("lever_valve", "Rhea Okoro", "")
    hear(bench, 1)

    def full(*_: object) -> None:
        raise EnvironmentFault("ledger.sqlite: the disk is full; free some space and do it again.")

    monkeypatch.setattr("capture.record.media._write", full)
    sound = bursts(2, seed=3)
    for at in range(0, len(sound), 3200):
        desk.live.ear.feed(sound[at : at + 3200])
    with pytest.raises(CaptureError, match="disk is full"):
        desk.live.typed("leaks none")
    board = desk.board()
    assert board["unstored"] >= 1
    assert any("disk is full" in trouble for trouble in board["troubles"])
    with pytest.raises(CaptureError, match="disk is full"):
        desk.pause()
    assert desk.has_job, "it stays open rather than lose words"
    monkeypatch.undo()
    hear(bench, 2, seed=4)
    settle(desk)
    words = [row.body["words"] for row in bench.record.rows() if "heard" in row.body]
    assert words == BEGIN, "all that was said, once, in its order"
    assert desk.board()["troubles"] == []


def test_without_a_recogniser_the_job_goes_on_by_hand(
    made: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = made()

    def none(_: object) -> None:
        raise EnvironmentFault("The model has no am/final.mdl.")

    monkeypatch.setattr(bench.desk, "_listen", none)
    bench.desk.open_job("lever_valve", "Rhea Okoro", "")
    bench.desk.live.ear.feed(bursts(1))
    bench.desk.live.typed("stage as received")
    bench.desk.live.typed("serial number K7-0412")
    board = bench.desk.board()
    assert board["unit"][0]["value"] == "K7-0412"
    assert "Everything can be typed" in board["troubles"][0]
    row = list(bench.record.rows())[-1]
    assert row.body["heard"]["engine"] == "keyboard"
    assert row.body["heard"]["text"] == "serial number K7-0412", "the line as it was typed"
    assert row.media == ()


def test_practice_sound_goes_the_same_way(made: Callable[..., Bench]) -> None:
    bench = made(*BEGIN, practice=[Practice("take one", bursts(3)), Practice("take two", bursts(2, seed=2))])
    bench.desk.open_job("lever_valve", "Rhea Okoro", "")
    for number in (0, 1):
        bench.desk.practise(number)
        end = time.monotonic() + 20
        while bench.desk.board()["sound"]["state"] != "ended":
            assert time.monotonic() < end
            time.sleep(0.02)
        settle(bench.desk)
    words = [row.body["words"] for row in bench.record.rows() if "heard" in row.body]
    assert words == BEGIN


def test_not_listening_hears_nothing_and_says_so(made: Callable[..., Bench]) -> None:
    bench = made("leaks none", practice=[Practice("take", bursts(1))])
    bench.desk.open_job("lever_valve", "Rhea Okoro", "")
    bench.desk.live.set_listening(False)
    source = bench.desk.browser(16000)
    source.push(bursts(1))
    settle(bench.desk)
    assert bench.desk.board()["sound"]["listening"] is False
    assert not [row for row in bench.record.rows() if "heard" in row.body]
    bench.desk.live.set_listening(True)
    source.push(bursts(1))
    settle(bench.desk)
    assert [row.body["words"] for row in bench.record.rows() if "heard" in row.body] == ["leaks none"]
    source.lost()
    settle(bench.desk)
    assert "stopped" in bench.desk.board()["troubles"][0]


def test_the_voice_reads_back_stops_for_the_technician_and_goes_on(
    made: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = made("leaks none", "hose chafed")
    voice = SilentVoice()
    monkeypatch.setattr(bench.desk, "_made_voice", lambda: voice)
    bench.desk.open_job("lever_valve", "Rhea Okoro", "")
    hear(bench, 1)
    assert voice.said[0].startswith("leak, none.")
    hear(bench, 1, seed=2)
    assert voice.hushed >= 1, "the second burst is the technician speaking"
    for _ in range(3):
        voice.end()
        settle(bench.desk)
    assert any(text.startswith("hose, chafed.") for text in voice.said)


def test_only_words_are_kept_when_that_is_wished(made: Callable[..., Bench]) -> None:
    bench = made("leaks none", keep_sound=False)
    bench.desk.open_job("lever_valve", "Rhea Okoro", "")
    hear(bench, 1)
    bench.desk.pause()
    assert "source" not in kinds(bench)
    assert not list((bench.record.folder / "live").iterdir())
