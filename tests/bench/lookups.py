"""How a record grows: writes an invented workshop's jobs, indexes, asks and verifies them, at several sizes.

    python -m tests.bench.lookups [JOBS ...] [--folder DIR] [--keep]

Prints a table, one column for each size (default 1000 10000 100000 jobs of 40 entries; the last takes some 20 minutes
of one processor and 8 GB). A look-up's time is the whole answer, with opening the ledger and seeing that the index fits
it: the median and, after a slash, the slowest of ``ROUNDS`` with different parts, gauges and units, by the clock. All
files have just been written, so reading them is as fast as the system's own cache of the disk.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

from capture.record import Record, verify
from capture.record.admin import job_ids, job_rows
from capture.record.bulk import append_all
from capture.record.spread import processors
from capture.review import lookups
from capture.review.inline import Gallery
from capture.review.job_ids import find_job
from capture.review.lookups_index import NAME, open_index
from capture.review.names import names_for
from capture.review.report import make_report
from capture.review.story import tell
from tests.bench.workshop import START, YEARS, Workshop, generate

ROUNDS = 20


def measure(folder: Path, workshop: Workshop) -> dict[str, str]:
    """Everything that is printed about one record."""
    begun = time.perf_counter()
    with open_index(folder):
        pass
    found = {"make the index": f"{time.perf_counter() - begun:.1f} s"}
    found["ledger"] = _size(folder.glob("ledger*"))
    found["index"] = _size(folder.glob(f"{NAME}*"))
    found["media"] = _size(path for path in (folder / "media").rglob("*") if path.is_file())
    found |= _lookups(folder, workshop) | _views(folder) | _following(folder, workshop)
    return found | _verified(folder)


def _lookups(folder: Path, workshop: Workshop) -> dict[str, str]:
    chance = random.Random(2)
    jobs = workshop.jobs

    def lot() -> str:
        return f"LS-{chance.randrange(max(1, jobs // 400)):05d}"

    def unit() -> str:
        return f"K{chance.randrange(workshop.units):06d}"

    def month() -> dict[str, str]:
        day = START + timedelta(days=chance.randrange(int(365 * YEARS) - 30))
        return {"since": day.date().isoformat(), "until": (day + timedelta(days=30)).date().isoformat()}

    asked: dict[str, Callable[[Any], Any]] = {
        "list page, by attention": lambda index: lookups.jobs(index, limit=100),
        "list page, the last one": lambda index: lookups.jobs(index, limit=100, skip=max(0, jobs - 100)),
        "units with a lot": lambda index: lookups.by_lot(index, lot()),
        "a unit's jobs": lambda index: lookups.by_unit(index, unit()),
        "a unit's values": lambda index: lookups.drift_of(index, "opening_effort", unit()),
        "a gauge, a month": lambda index: lookups.by_gauge(index, "E-1", **month()),
        "near the limit, 200": lambda index: lookups.near_limit(index, limit=200),
        "what drifts, 200": lambda index: lookups.drift(index, "opening_effort", limit=200),
        "corrections": lambda index: lookups.corrections(index),
    }

    def ask(question: Callable[[Any], Any]) -> None:
        with open_index(folder) as index:
            assert question(index).rows

    return {name: _times(lambda question=question: ask(question)) for name, question in asked.items()}  # type: ignore[misc]


def _views(folder: Path) -> dict[str, str]:
    """One job out of all of them: found by the end of its id, told as a timeline, made a report."""
    chance = random.Random(3)
    with Record.open(folder, writing=False) as record:
        ids = job_ids(record)

    def view() -> None:
        with Record.open(folder, writing=False) as record:
            rows = job_rows(record, chance.choice(ids))
            tell(rows, names_for(record, rows), Gallery(record, inline=False))

    def report() -> None:
        with Record.open(folder, writing=False) as record:
            make_report(record, chance.choice(ids))

    def find() -> None:
        with Record.open(folder, writing=False) as record:
            find_job(record, chance.choice(ids)[-12:])

    return {"a job told": _times(view), "a job's report": _times(report), "a job by the end of its id": _times(find)}


def _following(folder: Path, workshop: Workshop) -> dict[str, str]:
    begun = time.perf_counter()
    with Record.open(folder) as record:
        append_all(record, Workshop(workshop.jobs, seed=time.time_ns()).drafts(workshop.jobs))
    found = {"append a job": f"{(time.perf_counter() - begun) * 1000:.1f} ms"}
    begun = time.perf_counter()
    with open_index(folder):
        pass
    return {**found, "index it": f"{(time.perf_counter() - begun) * 1000:.1f} ms"}


def _verified(folder: Path) -> dict[str, str]:
    """Verify in a process of its own, so that its peak of memory can be told: with no others, then with all."""
    told = _verified_by(folder, 1)
    return told if processors() == 1 else told | _verified_by(folder, processors())


def _verified_by(folder: Path, processes: int) -> dict[str, str]:
    call = [sys.executable, "-m", "tests.bench.lookups", "--verify", str(folder), "--processes", str(processes)]
    out = subprocess.run(call, stdout=subprocess.PIPE, text=True, check=True, cwd=Path(__file__).parents[2]).stdout
    facts = json.loads(out)
    assert facts["ok"], facts
    octets = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file() and not path.name.startswith(NAME))
    name = f"verify, {processes} process{'es' if processes > 1 else ''}"
    return {
        name: f"{facts['wall']:.1f} s, of which {facts['cpu']:.1f} s of processor",
        f"{name}, rows": f"{facts['rows'] / facts['wall']:.0f}/s of {facts['rows']}, {facts['signed']} signatures",
        f"{name}, bytes": f"{octets / 1e6 / facts['wall']:.1f} MB/s",
        f"{name}, peak": f"{facts['peak_mb']:.0f} MB",
    }


def _verify(folder: Path, processes: int) -> None:
    wall, cpu = time.perf_counter(), sum(os.times()[:4])
    steps = 0

    def told(what: str, done: int, total: int) -> None:
        nonlocal steps
        steps += 1
        if sys.stderr.isatty():
            print(f"\rverifying: {what} {done} of {total}", end="", file=sys.stderr)

    found = verify(folder, progress=told, processes=processes)
    facts = {
        "ok": found.ok, "rows": found.rows, "signed": found.signed, "steps": steps,
        "wall": time.perf_counter() - wall, "cpu": sum(os.times()[:4]) - cpu,
        "peak_mb": _peak_mb(),
    }  # fmt: skip
    print(json.dumps(facts))


def _peak_mb() -> float:
    """The most memory that this process had; getrusage would count what its parent had before it."""
    status = Path("/proc/self/status")
    if not status.exists():
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024


def _times(action: Callable[[], None]) -> str:
    times = []
    for _ in range(ROUNDS):
        with _timed(times):
            action()
    return f"{statistics.median(times):.1f} / {max(times):.1f} ms"


@contextmanager
def _timed(times: list[float]) -> Iterator[None]:
    begun = time.perf_counter()
    yield
    times.append((time.perf_counter() - begun) * 1000)


def _size(paths: Any) -> str:
    return f"{sum(path.stat().st_size for path in paths) / 1e6:.1f} MB"


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("jobs", type=int, nargs="*", default=[1_000, 10_000, 100_000])
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()))
    parser.add_argument("--keep", action="store_true")
    parser.add_argument("--verify", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--processes", type=int, default=1, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.verify:
        _verify(options.verify, options.processes)
        return
    for jobs in options.jobs:
        folder = options.folder / f"lookups-{jobs}"
        workshop = Workshop(jobs)
        print(f"\n{jobs} jobs")
        if not folder.exists():
            print(f"  {'write':28}{generate(folder, workshop):.1f} s", flush=True)
        for name, value in measure(folder, workshop).items():
            print(f"  {name:28}{value}", flush=True)
        if not options.keep:
            shutil.rmtree(folder)


if __name__ == "__main__":
    main()
