"""Kill a writing program again and again, and count what of the acknowledged was lost.

Run: ``python -m tests.bench.durability [--kills 300]``
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from capture.record import Record, verify

WRITER = """
import sys, time
from datetime import datetime, timezone
from capture.record import Record

with Record.open(sys.argv[1]) as record:
    session = str(time.time_ns())
    print("ready", flush=True)
    for number in range(1_000_000):
        media = []
        if number % 2:
            media = [record.put_media(f"{session} {number} ".encode() * 500, "clip", "audio/wav")]
        row = record.append(job="J-1", kind="reading", body={"words": "effort one point one " * 20},
                            at=datetime.now(timezone.utc), mono=number / 100, session=session, media=media)
        print(row.seq, row.hash, *(ref.sha256 for ref in media), flush=True)
"""


BATCH = 15
"""Kills on one record, each followed by a verification of all of it; then a new record."""


@dataclass
class Outcome:
    """What several kills did: rows acknowledged, and what is wrong afterwards."""

    acknowledged: int
    rows: int
    lost: list[str]
    faults: list[str]


def kill_writers(folder: Path, kills: int, seed: int, longest_s: float = 0.25) -> Outcome:
    """Start a writer, kill it at a random moment, verify, again and again.

    Args:
        folder: where the record is made.
        kills: how many times.
        seed: of the random moments.
        longest_s: the longest a writer may write before it is killed, in seconds.
    """
    chance = random.Random(seed)
    Record.create(folder).close()
    acknowledged: dict[int, list[str]] = {}
    lost: list[str] = []
    faults: list[str] = []
    for _ in range(kills):
        for line in _one_writer(folder, chance.uniform(0, longest_s)):
            seq, *hashes = line.split()
            acknowledged[int(seq)] = hashes
        found = verify(folder)
        faults += [str(fault) for fault in found.faults]
    with Record.open(folder) as record:
        stored = {row.seq: [row.hash, *(ref.sha256 for ref in row.media)] for row in record.rows()}
        lost = [f"row {seq}" for seq, hashes in acknowledged.items() if stored.get(seq) != hashes]
        for _, *files in acknowledged.values():
            for digest in files:
                record.read_media(digest)
    faults += [str(fault) for fault in verify(folder).faults]
    return Outcome(len(acknowledged), len(stored), lost, faults)


def _one_writer(folder: Path, seconds: float) -> list[str]:
    root = Path(__file__).parents[2]
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(folder)], stdout=subprocess.PIPE, text=True, cwd=root
    ) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
        time.sleep(seconds)
        writer.send_signal(signal.SIGKILL)
        lines = writer.stdout.read().split("\n")
    return lines[:-1]


def main() -> None:
    """Print what happened; leave with 1 when anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    began = time.monotonic()
    outcomes = []
    for first in range(0, wanted.kills, BATCH):
        with tempfile.TemporaryDirectory() as folder:
            kills = min(BATCH, wanted.kills - first)
            outcomes.append(kill_writers(Path(folder) / "record", kills, wanted.seed + first))
    lost = [line for outcome in outcomes for line in outcome.lost]
    faults = [line for outcome in outcomes for line in outcome.faults]
    acknowledged, rows = sum(o.acknowledged for o in outcomes), sum(o.rows for o in outcomes)
    print(f"{wanted.kills} kills in {time.monotonic() - began:.0f} s: {acknowledged} rows acknowledged, {rows} stored,")
    print(f"{len(lost)} lost, {len(faults)} faults")
    for line in lost + faults:
        print(f"  {line}")
    sys.exit(bool(lost or faults))


if __name__ == "__main__":
    main()
