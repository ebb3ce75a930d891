"""Kills a live job at a random moment, takes it up again, and says what was lost.

``python -m tests.live.kills 200`` does it 200 times and prints a table.
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from capture.bench.live_spool import left_behind
from capture.record import Record, verify
from tests.live.killed import COUNT, lines
from tests.live.stand_ins import make_bench

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Outcome:
    """One kill. ``acknowledged`` entries were shown before, ``lost`` of them are not in the record afterwards;
    ``heard`` are the lines in the record after the job was taken up, of the ``spooled`` that were wholly spoken."""

    acknowledged: int
    lost: int
    heard: list[str]
    spooled: int
    whole: bool


def kill_once(folder: Path, seed: int) -> Outcome:
    """Start, kill after a random while, take the job up again."""
    call = [sys.executable, "-m", "tests.live.killed", str(folder), str(seed)]
    with subprocess.Popen(call, cwd=ROOT, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        job = running.stdout.readline().split()[1]
        time.sleep(random.Random(seed).uniform(0.0, 0.9))
        running.send_signal(signal.SIGKILL)
        shown = [line for line in running.stdout.read().split("\n")[:-1] if line not in {"", "end"}]
    place = folder / "record"
    with Record.open(place) as record:
        before = {row.id for row in record.rows()}
        notes = sum(row.kind == "note" for row in record.rows())
        samples = sum(left.samples for left in left_behind(place, job))
    bench = make_bench(folder, lines()[notes:])
    bench.desk.resume(job, "")
    heard = [row.body["words"] for row in bench.record.rows() if row.kind == "note"]
    bench.desk.pause()
    bench.record.close()
    wholly = max(0, min(COUNT, int((samples / 16000 - 0.5 - 0.3) / 0.8) + 1)) if samples > 0.8 * 16000 else 0
    return Outcome(len(shown), len(set(shown) - before), heard, wholly, verify(place).ok)


def main(count: int) -> None:
    """Kill ``count`` times."""
    acknowledged = lost = wrong = broken = 0
    for seed in range(count):
        with tempfile.TemporaryDirectory() as folder:
            out = kill_once(Path(folder), seed)
        acknowledged += out.acknowledged
        lost += out.lost
        wrong += out.heard != lines()[: len(out.heard)] or len(out.heard) < out.spooled
        broken += not out.whole
        print(
            f"{seed + 1:4} acknowledged {acknowledged}, lost {lost}, words wrong {wrong}, not verified {broken}",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]))
