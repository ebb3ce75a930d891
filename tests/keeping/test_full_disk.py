"""A disk that is really full: the bench says so, keeps listening, and loses nothing that was acknowledged or said."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.errors import CaptureError
from capture.record import Record, verify
from tests.live.stand_ins import Bench, bursts, make_bench

SPOKEN = ["note one", "note two", "note three", "note four", "note five", "note six"]
BALLAST = 3_000_000


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 8 MB of its own; skips where none may be mounted."""
    place = tmp_path / "disk"
    place.mkdir()
    try:
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(place)], check=True, capture_output=True, timeout=20
        )
    except (OSError, subprocess.SubprocessError):
        pytest.skip("no small file system can be mounted here")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False, capture_output=True, timeout=20)


def feed(bench: Bench, count: int, seed: int) -> None:
    sound = bursts(count, pause_s=0.5, burst_s=0.3, seed=seed)
    for at in range(0, len(sound), 3200):
        bench.desk.live.ear.feed(sound[at : at + 3200])
    bench.desk.live.do(lambda: None)


def until(said: str, condition: object) -> None:
    assert callable(condition)
    end = time.monotonic() + 30
    while not condition():
        assert time.monotonic() < end, said
        time.sleep(0.02)


def fill(place: Path) -> None:
    """Leave not one free block."""
    size = 1_000_000
    with (place / "filler").open("ab", buffering=0) as out:
        while size:
            try:
                out.write(bytes(size))
            except OSError:
                size //= 2


def notes(record: Record) -> list[str]:
    return [row.body["words"] for row in record.rows() if row.kind == "note"]


def test_a_full_disk_says_so_keeps_listening_and_loses_nothing(small_disk: Path) -> None:
    bench = make_bench(small_disk, SPOKEN)
    bench.desk.open_job("lever_valve", "Rhea Okoro", "HB-1")
    live = bench.desk.live
    feed(bench, 2, seed=1)
    until("two lines were stored", lambda: live.idle)
    acknowledged = {one.id for one in live.session.recorded}
    assert len(acknowledged) == 2

    fill(small_disk)
    feed(bench, 2, seed=2)
    until("it was said", lambda: live.board()["unstored"])
    board = live.board()
    assert any("disk is full" in trouble and "free some space" in trouble for trouble in board["troubles"])
    assert any("heard but not kept on the disk" in trouble for trouble in board["troubles"]), "the sound as well"
    with pytest.raises(CaptureError, match="disk is full"):
        live.typed("note typed")
    with pytest.raises(CaptureError):
        live.photo(bytes(200_000), "image/jpeg", "case_open", "p.jpg")
    with pytest.raises(CaptureError, match="disk is full"):
        bench.desk.pause()
    feed(bench, 1, seed=3)
    assert live.board()["unstored"] == 3, "it goes on listening"
    assert {one.id for one in live.session.recorded} == acknowledged, "nothing was called stored that is not"

    (small_disk / "filler").unlink()
    until("what waited is stored", lambda: not live.board()["unstored"])
    feed(bench, 1, seed=4)
    until("all is stored", lambda: live.idle and not live.board()["troubles"])
    assert notes(bench.record) == SPOKEN
    bench.desk.finish()
    bench.record.close()
    found = verify(small_disk / "record")
    assert found.faults == ()
    with Record.open(small_disk / "record") as record:
        assert acknowledged <= {row.id for row in record.rows()}


def test_a_job_killed_on_a_full_disk_is_taken_up_when_there_is_room(small_disk: Path) -> None:
    """Nothing is closed, as after a power cut: what was stored is there, what the spool took in is heard then."""
    bench = make_bench(small_disk, SPOKEN)
    bench.desk.open_job("lever_valve", "Rhea Okoro", "HB-1")
    job = bench.desk.live.session.job
    feed(bench, 2, seed=1)
    until("two lines were stored", lambda: bench.desk.live.idle)
    acknowledged = {one.id for one in bench.desk.live.session.recorded}
    (small_disk / "ballast").write_bytes(bytes(BALLAST))
    feed(bench, 1, seed=2)
    until("three lines were stored", lambda: bench.desk.live.idle)
    fill(small_disk)
    feed(bench, 1, seed=3)

    (small_disk / "filler").unlink()
    again = make_bench(small_disk, SPOKEN[3:])
    again.desk.resume(job, "")
    rows = {row.id for row in again.record.rows()}
    assert acknowledged <= rows
    assert notes(again.record)[:3] == SPOKEN[:3]
    again.desk.pause()
    again.record.close()
    bench.record.close()
    assert verify(small_disk / "record").faults == ()


def test_an_export_and_a_backup_onto_a_full_disk_say_so(small_disk: Path, record: Record) -> None:
    from capture.record.backup import backup
    from capture.record.bag import export_bag
    from tests.keeping.world import usual_job

    job = usual_job(record)
    fill(small_disk)
    for work in (
        lambda: export_bag(record, [job.id], small_disk / "bag.zip", at="2031-06-01T12:00:00Z"),
        lambda: export_bag(record, [job.id], small_disk / "bag", at="2031-06-01T12:00:00Z"),
        lambda: backup(record.folder, small_disk / "copy"),
    ):
        with pytest.raises(CaptureError, match="disk is full"):
            work()
    assert [path.name for path in small_disk.iterdir()] == ["filler"], "nothing half done is left"
