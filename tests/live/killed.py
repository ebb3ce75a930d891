"""Runs a live bench that is going to be killed: ``python -m tests.live.killed FOLDER SEED``.

Speaks numbered lines as fast as they are heard and prints each entry's id once it is stored.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from capture.bench.live_types import Told
from tests.live.stand_ins import bursts, make_bench

COUNT = 12


def lines() -> list[str]:
    """Lines that can be told apart: "note zero one", "note zero two" and so on."""
    names = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
    return [f"note {names[number // 10]} {names[number % 10]}" for number in range(1, COUNT + 1)]


def main(folder: Path, seed: int) -> None:
    """Run until killed."""
    bench = make_bench(folder, lines())
    shown: set[str] = set()

    def tell(told: Told) -> None:
        if told.kind == "changed" and bench.desk.has_job:
            for one in bench.desk.live.session.recorded:
                if one.id not in shown:
                    shown.add(one.id)
                    print(one.id, flush=True)

    bench.desk._tell = tell
    bench.desk.open_job("lever_valve", "Rhea Okoro", "")
    print("job", bench.desk.live.session.job, flush=True)
    sound = bursts(COUNT, pause_s=0.5, burst_s=0.3, seed=seed)
    for at in range(0, len(sound), 1600):
        bench.desk.live.ear.feed(sound[at : at + 1600])
        time.sleep(0.002)
    print("end", flush=True)
    time.sleep(60)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
