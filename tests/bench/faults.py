"""Every N-th system call of a live job fails once: only our own errors may come out, and nothing acknowledged is lost.

    python -m tests.bench.faults [--every STEP] [--from N] [--error EIO|ENOSPC]

A small library, compiled with gcc and loaded before the C library, makes the N-th call on a file of the record fail
(open, read, write, fsync, ftruncate, rename, unlink, mkdir, mmap, close and their kin) while a job is worked live with
the real keeping code: opened, heard, typed, photographed, left, taken up, finished. Prints one line for each kind of
call, and every run in which something was lost or an error was not ours.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import errno
import io
import json
import os
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
SPOKEN, LATER = 4, 2
_TRIES = 4
_LIMIT_S = 60


@dataclass(frozen=True)
class Run:
    """One job with one fault. ``call`` is what failed ("" for nothing), ``wrong`` what should not have been."""

    number: int
    calls: int
    call: str
    own: tuple[str, ...]
    wrong: tuple[str, ...]


def compiled(folder: Path) -> Path:
    """Compile the library; raises FileNotFoundError or CalledProcessError where that cannot be done."""
    library = folder / "faults.so"
    source = Path(__file__).with_name("faults.c")
    call = ["gcc", "-O1", "-shared", "-fPIC", "-o", str(library), str(source), "-ldl"]
    subprocess.run(call, check=True, capture_output=True)
    return library


def runs(library: Path, numbers: str, error: int) -> Iterator[Run]:
    """Run jobs whose calls of these numbers fail; 0 is a job without a fault.

    Args:
        library: see ``compiled``.
        numbers: "all:STEP:FIRST" or numbers with commas between.
        error: what the call fails with.
    """
    call = [sys.executable, "-m", "tests.bench.faults", "--worker", numbers, "--errno", str(error)]
    more = {"LD_PRELOAD": str(library), "BENCHWITNESS_FAULTS": str(library)}
    with subprocess.Popen(call, cwd=ROOT, stdout=subprocess.PIPE, text=True, env={**os.environ, **more}) as worker:
        assert worker.stdout is not None
        for line in worker.stdout:
            facts = json.loads(line)
            yield Run(facts["number"], facts["calls"], facts["call"], tuple(facts["own"]), tuple(facts["wrong"]))
    if worker.returncode:
        raise RuntimeError(f"the worker left with {worker.returncode}")


def _work(numbers: str, error: int) -> None:
    """The worker: everything is imported once, then each job runs in a fork of its own."""
    import tests.live.stand_ins
    from capture.record import verify

    assert tests.live.stand_ins
    assert verify
    shim = ctypes.CDLL(os.environ["BENCHWITNESS_FAULTS"])
    shim.fault_arm.argtypes = [ctypes.c_char_p, ctypes.c_long, ctypes.c_int]
    shim.fault_calls.restype = ctypes.c_long
    shim.fault_failed.restype = ctypes.c_char_p
    whole = _forked(shim, 0, error)
    print(json.dumps(whole), flush=True)
    if numbers.startswith("all:"):
        _, step, first = numbers.split(":")
        wanted: Any = range(int(first), whole["calls"] + 1, int(step))
    elif numbers.startswith("sample:"):
        count = int(numbers.split(":")[1])
        wanted = [1 + at * (whole["calls"] - 1) // count for at in range(count)]
    else:
        wanted = [int(number) for number in numbers.split(",")]
    for number in wanted:
        print(json.dumps(_forked(shim, number, error)), flush=True)


def _forked(shim: Any, number: int, error: int) -> dict[str, Any]:
    reading, writing = os.pipe()
    child = os.fork()
    if not child:
        os.close(reading)
        with os.fdopen(writing, "w") as out:
            json.dump(_job(shim, number, error), out)
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading) as told:
        said = told.read()
    os.waitpid(child, 0)
    return dict(json.loads(said)) if said else _lost(number)


def _lost(number: int) -> dict[str, Any]:
    return {"number": number, "calls": 0, "call": "?", "own": [], "wrong": ["the process died"]}


def _job(shim: Any, number: int, error: int) -> dict[str, Any]:
    from capture.errors import CaptureError

    with tempfile.TemporaryDirectory() as folder:
        worker = _Worker(Path(folder))
        screen = io.StringIO()
        shim.fault_arm(f"{folder}/record".encode(), number, error)
        with contextlib.redirect_stderr(screen):
            try:
                worker.work()
            except BaseException:
                worker.wrong.append(traceback.format_exc(limit=-4))
                worker.leave()
        calls, failed = shim.fault_calls(), shim.fault_failed().decode()
        shim.fault_disarm()
        if "Traceback" in screen.getvalue():
            worker.wrong.append(f"on the terminal: {screen.getvalue()[-1500:]}")
        try:
            worker.look_back()
        except CaptureError as trouble:
            worker.wrong.append(f"afterwards: {trouble}")
        return {"number": number, "calls": calls, "call": failed, "own": worker.own, "wrong": worker.wrong}


def lines() -> list[str]:
    """What is said, each line another."""
    names = ["one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
    return [f"note {name}" for name in names[: SPOKEN + LATER]]


class _Worker:
    """Works one job; tries again what ends in an error of ours, as a person at the bench would."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.own: list[str] = []
        self.wrong: list[str] = []
        self.acknowledged: dict[str, str] = {}
        self.bench: Any = None

    def work(self) -> None:
        """Open, hear, type, photograph, leave, take up, hear, finish."""
        from tests.live.stand_ins import make_bench

        self.bench = self._tried(lambda: make_bench(self.folder, lines()))
        desk = self.bench.desk
        desk._tell = self._told
        self._tried(lambda: desk.has_job or desk.open_job("lever_valve", "Rhea Okoro", "HB-1"))
        job = desk.live.session.job
        self._hear(SPOKEN, seed=1)
        self._keep(self._tried(lambda: desk.live.typed("note typed")))
        self._keep(self._tried(lambda: desk.live.photo(b"\xff\xd8 picture", "image/jpeg", "case_open", "p.jpg")))
        self._tried(lambda: desk.has_job and desk.pause())
        self._tried(lambda: desk.has_job or desk.resume(job, ""))
        self._hear(LATER, seed=2)
        self._tried(lambda: desk.has_job and desk.finish())
        self.bench.record.close()

    def leave(self) -> None:
        """Close what can be closed, after an error that should not have been."""
        if self.bench is not None:
            self.bench.record.close()

    def look_back(self) -> None:
        """What was acknowledged must be in the record, every line heard once, and the record must prove itself."""
        from capture.record import Record, verify

        place = self.folder / "record"
        found = verify(place)
        self.wrong += [f"verify: {fault}" for fault in found.faults]
        with Record.open(place) as record:
            rows = {row.id: row for row in record.rows()}
        self.wrong += [f"lost: {words}" for id_, words in self.acknowledged.items() if id_ not in rows]
        heard = [row.body["words"] for row in rows.values() if row.kind == "note" and "typed" not in row.body["words"]]
        if heard != lines():
            self.wrong.append(f"heard {heard}, said {lines()}")
        again = verify(place)
        self.wrong += [f"verify after opening again: {fault}" for fault in again.faults]

    def _hear(self, count: int, seed: int) -> None:
        from tests.live.stand_ins import bursts

        live = self.bench.desk.live
        sound = bursts(count, pause_s=0.5, burst_s=0.3, seed=seed)
        for at in range(0, len(sound), 3200):
            live.ear.feed(sound[at : at + 3200])
        until = time.monotonic() + 20
        while not live.idle and time.monotonic() < until:
            time.sleep(0.01)
        live.do(lambda: None)

    def _keep(self, entries: Any) -> None:
        for one in entries or ():
            self.acknowledged[one.id] = one.entry.words

    def _told(self, told: Any) -> None:
        if told.kind == "changed" and self.bench.desk.has_job:
            self._keep(self.bench.desk.live.session.recorded)
            for trouble in self.bench.desk.live._troubles.values():
                if trouble not in self.own:
                    self.own.append(trouble)
                    if "fault of the program" in trouble:
                        self.wrong.append(trouble)

    def _tried(self, action: Callable[[], Any]) -> Any:
        from capture.errors import CaptureError

        for left in reversed(range(_TRIES)):
            try:
                return action()
            except CaptureError as error:
                self.own.append(str(error))
                if not left:
                    raise
        return None


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1, metavar="STEP", help="only every so many-th call")
    parser.add_argument("--from", type=int, default=1, dest="first", metavar="N", help="begin with this call")
    parser.add_argument("--error", choices=["EIO", "ENOSPC"], default="EIO")
    parser.add_argument("--worker", help=argparse.SUPPRESS)
    parser.add_argument("--errno", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.worker:
        _work(options.worker, options.errno)
        return
    kinds: Counter[str] = Counter()
    told: Counter[str] = Counter()
    bad = 0
    with tempfile.TemporaryDirectory() as folder:
        numbers = f"all:{options.every}:{options.first}"
        for run in runs(compiled(Path(folder)), numbers, getattr(errno, options.error)):
            kinds[run.call] += 1
            told[run.call] += bool(run.own)
            if run.wrong:
                bad += 1
                print(f"call {run.number} ({run.call}):", *run.wrong, sep="\n    ", flush=True)
            elif not run.number:
                print(f"a job without a fault makes {run.calls} calls", flush=True)
    for kind, count in sorted(kinds.items()):
        print(f"{kind or 'none':12} {count:5} jobs, {told[kind]:5} said so")
    print(f"{sum(kinds.values())} jobs, {bad} with something lost or an error that is not ours")
    sys.exit(bool(bad))


if __name__ == "__main__":
    main()
