"""How the look-ups grow with the record: generates jobs through the real chain, indexes them and times every look-up.

    python -m tests.bench.lookups [JOBS ...] [--folder DIR] [--keep]

Prints one line of a table for each size (default 1000 10000 100000 jobs of 40 entries each; the last takes some 20
minutes and 10 GB). A look-up's time is the whole answer, with opening the ledger and seeing that the index fits it; the
slowest of ``ROUNDS`` with different parts, gauges and units, by the clock and of the processor alone.
"""

from __future__ import annotations

import argparse
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from capture.judge import entry_to_body
from capture.judge.entry import Entry, Status, Verdict
from capture.record import Record
from capture.record.bulk import Draft, append_all
from capture.record.uuid7 import uuid7
from capture.review import lookups
from capture.review.lookups_index import NAME, open_index

ENTRIES = 40
ROUNDS = 20
YEARS = 10
_START = datetime(2021, 1, 4, 8, tzinfo=UTC)
_STAGES = ("as_received", "stripped", "assembled", "pressurised", "tuned", "covered", "repeat_check")
_PARTS = ("seat", "diaphragm", "sealing_ring", "exhaust_valve")
_PEOPLE = ("Ada Brook", "Ben Carr", "Cy Dell", "Dot Ellis")


class Workshop:
    """An invented workshop's jobs over ten years: a unit comes back every other year, a lot lasts 400 kits, a gauge
    of three is in use each day."""

    def __init__(self, jobs: int, seed: int = 1) -> None:
        self.jobs = jobs
        self.random = random.Random(seed)
        self.step = timedelta(days=365.25 * YEARS) / jobs
        self.units = max(1, jobs // 5)

    def drafts(self, number: int) -> list[Draft]:
        """Job ``number``, 40 rows."""
        job, session = self._id(), self._id()
        at = _START + self.step * number
        serial = f"K{number % self.units:06d}"
        rows = list(self._entries(number, serial))
        ids = [self._id() for _ in rows]
        drafts = []
        for place, body in enumerate(rows):
            if body.get("replaces") == "before":
                body = {**body, "replaces": ids[place - 1]}
            when = (at + timedelta(seconds=45 * place)).isoformat(timespec="milliseconds")
            drafts.append(Draft(job, body["kind"], body, when, 45.0 * place, session, id=ids[place]))
        return drafts

    def _entries(self, number: int, serial: str) -> Iterator[dict[str, Any]]:
        chance = self.random
        gauges = [f"E-{number % 3}", f"S-{number % 3}", f"D-{number % 3}"]
        yield {
            "kind": "opened",
            "data": {
                "procedure": {"id": "lever_valve", "name": "Lever valve", "version": "1.0", "digest": "0" * 64},
                "technician": _PEOPLE[number % len(_PEOPLE)],
                "workshop": "North Quay Bench",
                "reference": f"W-{number}",
                "cautions": ["Demonstration figures."],
                "settings": {},
            },
        }
        yield _body("identity", "serial", {"field": "serial", "value": serial})
        yield _body("identity", "type", {"field": "type", "value": f"T{number % 4}"})
        for kind, name in zip(("effort_gauge", "supply_gauge", "depth_gauge"), gauges, strict=True):
            yield _body("instrument", kind, {"kind": kind, "serial": name, "due": "2032-01-31"})
        for stage in _STAGES:
            yield _body("stage", stage, {"stage": stage}, stage)
        for part in _PARTS:
            yield _body("part", part, {"part": part, "action": "removed", "quantity": 1, "lot": None}, "stripped")
            lot = f"L{part[0].upper()}-{number // 400:05d}"
            yield _body("part", part, {"part": part, "action": "fitted", "quantity": 1, "lot": lot}, "assembled")
        for stage in ("as_received", "tuned", "covered", "repeat_check"):
            yield _reading("opening_effort", chance.gauss(1.3, 0.09), "inH2O", 2, (1.1, 1.5), stage, gauges[0])
            yield _reading("supply_pressure", chance.gauss(138, 3), "psi", 0, (132, 144), stage, gauges[1])
            yield _reading("lever_height", chance.gauss(1.7, 0.2), "mm", 2, (0.8, 2.6), stage, gauges[2])
        yield _reading("opening_effort", 1.35, "inH2O", 2, (1.1, 1.5), "repeat_check", gauges[0])
        replaces = "before" if chance.random() < 0.1 else None
        yield _reading("opening_effort", 1.32, "inH2O", 2, (1.1, 1.5), "repeat_check", gauges[0], replaces=replaces)
        for check in ("leak", "case_condition", "seat_edge"):
            yield _body("check", check, {"check": check, "answer": "none", "good": True}, "covered")
        yield _body("turn", "orifice", {"counter": "orifice", "turns": "1/12", "direction": "in"}, "tuned")
        yield _body("job_end", None, {"missing": [], "kit": [], "unsigned": [], "unconfirmed": []})

    def _id(self) -> str:
        return str(uuid7(1_936_000_000_000, self.random.randbytes(10)))


def _body(kind: str, subject: str | None, data: dict[str, Any], stage: str | None = None) -> dict[str, Any]:
    heard = {"text": f"{kind} {subject} as it was said", "engine": "bench", "start_s": 1.0, "end_s": 2.5, "words": []}
    return {**entry_to_body(Entry(kind, stage, subject, "accepted", f"{kind} {subject}", data)), "heard": heard}


def _reading(
    field: str,
    value: float,
    unit: str,
    places: int,
    limits: tuple[float, float],
    stage: str,
    gauge: str,
    replaces: str | None = None,
) -> dict[str, Any]:
    amount = f"{value:.{places}f}"
    inside = limits[0] <= float(amount) <= limits[1]
    verdict = Verdict(
        "pass" if inside else "fail", "guard_band", amount, "0.03", str(limits[0]), str(limits[1]), unit, "scenario"
    )
    data = {
        "field": field,
        "value": amount,
        "unit": unit,
        "amount": amount,
        "default_unit": unit,
        "expanded": "0.03",
        "unit_assumed": False,
        "via": "voice",
        "view": None,
        "instrument": gauge,
    }
    status: Status = "accepted"
    return entry_to_body(Entry("reading", stage, field, status, f"{field} {amount}", data, verdict, replaces=replaces))


def generate(folder: Path, workshop: Workshop) -> float:
    """Write the jobs; returns seconds."""
    start = time.perf_counter()
    with Record.create(folder) as record:
        for first in range(0, workshop.jobs, 200):
            numbers = range(first, min(first + 200, workshop.jobs))
            append_all(record, (draft for number in numbers for draft in workshop.drafts(number)))
            print(f"\r{first} of {workshop.jobs} jobs", end="", file=sys.stderr, flush=True)
    print("\r", end="", file=sys.stderr)
    return time.perf_counter() - start


def measure(folder: Path, workshop: Workshop) -> dict[str, float]:
    """Milliseconds of each look-up, the slowest of several; seconds of making the index."""
    start = time.perf_counter()
    with open_index(folder):
        pass
    found = {"index_s": time.perf_counter() - start}
    chance = random.Random(2)
    jobs = workshop.jobs

    def lot() -> str:
        return f"LS-{chance.randrange(max(1, jobs // 400)):05d}"

    def unit() -> str:
        return f"K{chance.randrange(workshop.units):06d}"

    def month() -> dict[str, str]:
        day = _START + timedelta(days=chance.randrange(int(365 * YEARS) - 30))
        return {"since": day.date().isoformat(), "until": (day + timedelta(days=30)).date().isoformat()}

    asked: dict[str, Callable[[Any], Any]] = {
        "lot": lambda index: lookups.by_lot(index, lot()),
        "gauge, a month": lambda index: lookups.by_gauge(index, "E-1", **month()),
        "unit": lambda index: lookups.by_unit(index, unit()),
        "near limit": lambda index: lookups.near_limit(index, limit=200),
        "drift, all": lambda index: lookups.drift(index, "opening_effort", limit=200),
        "drift, unit": lambda index: lookups.drift_of(index, "opening_effort", unit()),
        "corrections": lambda index: lookups.corrections(index),
        "jobs": lambda index: lookups.jobs(index, limit=100),
    }
    for name, ask in asked.items():
        for _ in range(ROUNDS):
            start, begun = time.perf_counter(), time.process_time()
            with open_index(folder) as index:
                table = ask(index)
            found[name] = max(found.get(name, 0.0), (time.perf_counter() - start) * 1000)
            found[f"{name}, CPU"] = max(found.get(f"{name}, CPU", 0.0), (time.process_time() - begun) * 1000)
            assert table.rows, name
    start = time.perf_counter()
    with Record.open(folder) as record:
        append_all(record, Workshop(jobs, seed=time.time_ns()).drafts(jobs))
    found["append a job"] = (time.perf_counter() - start) * 1000
    start = time.perf_counter()
    with open_index(folder):
        pass
    found["follow a job"] = (time.perf_counter() - start) * 1000
    return found


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("jobs", type=int, nargs="*", default=[1_000, 10_000, 100_000])
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()))
    parser.add_argument("--keep", action="store_true")
    options = parser.parse_args()
    for number, jobs in enumerate(options.jobs):
        folder = options.folder / f"lookups-{jobs}"
        workshop = Workshop(jobs)
        written = None if folder.exists() else generate(folder, workshop)
        found = measure(folder, workshop)
        size = sum(path.stat().st_size for path in folder.glob("ledger*")) / 1e9
        index = (folder / NAME).stat().st_size / 1e9
        if not number:
            print("jobs", "rows/s written", "ledger GB", "index GB", "index s", *list(found)[1:], sep=" | ")
        speed = "-" if written is None else f"{jobs * ENTRIES / written:.0f}"
        times = [f"{value:.1f} ms" for value in list(found.values())[1:]]
        print(jobs, speed, f"{size:.2f}", f"{index:.2f}", f"{found['index_s']:.1f}", *times, sep=" | ", flush=True)
        if not options.keep:
            shutil.rmtree(folder)


if __name__ == "__main__":
    main()
