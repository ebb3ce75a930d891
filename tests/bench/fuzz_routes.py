"""Sends made-up requests to every route of a bench for some minutes, and prints what each answered.

Run by hand: ``python -m tests.bench.fuzz_routes [--minutes 5] [--seed 1]``. Exit code 1 when the server failed once.
"""

from __future__ import annotations

import argparse
import ipaddress
import os
import random
import tempfile
import time
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as some

from capture.bench.gate import passphrase
from capture.bench.gate.people import People
from capture.bench.page.app import TABLE
from capture.bench.page.serve import Network
from capture.record import verify
from tests.gates.conftest import CREW, PASSPHRASE, Gated
from tests.gates.fuzzing import Fuzzer, requests
from tests.live.conftest import running

_ROUND = 400


def main() -> int:
    """Run it; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--seed", type=int, default=random.randrange(10**6))
    given_ = parser.parse_args()
    passphrase._LOG2_N = 10
    end = time.monotonic() + 60 * given_.minutes
    print(f"seed {given_.seed}")
    with tempfile.TemporaryDirectory() as folder:
        os.environ["BENCHWITNESS_KEYS"] = f"{folder}/keys"
        people = People(Path(folder) / "people.json")
        for name, roles in CREW.items():
            people.add(name, roles, PASSPHRASE)
        network = Network(ipaddress.ip_address("127.0.0.1"), None, people, 0)
        with running(Path(folder), network=network) as served:
            fuzzer = Fuzzer(Gated(served, people))
            number = given_.seed
            while time.monotonic() < end:
                _round(fuzzer, number)
                number += 1
            if served.bench.desk.has_job:
                served.bench.desk.pause()
            proven = verify(served.bench.record.folder)
    _print(fuzzer)
    state = "proves itself" if proven.ok else "DOES NOT PROVE ITSELF"
    print(f"{sum(fuzzer.seen.values())} requests, {proven.rows} rows, the record {state}")
    return 0 if proven.ok else 1


def _round(fuzzer: Fuzzer, number: int) -> None:
    desk = fuzzer.bench.served.bench.desk
    if not desk.has_job:
        desk.open_job("lever_valve", "Rhea Okoro", "")
        desk.live.typed("stage as received")

    @seed(number)
    @settings(
        max_examples=_ROUND,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(some.sampled_from(TABLE.rules).flatmap(requests))
    def send(sent: object) -> None:
        fuzzer.send(sent)  # type: ignore[arg-type]

    send()


def _print(fuzzer: Fuzzer) -> None:
    statuses = sorted({status for _, status in fuzzer.seen})
    print(f"{'route':44}" + "".join(f"{status:>7}" for status in statuses))
    for route in sorted({route for route, _ in fuzzer.seen}):
        print(f"{route:44}" + "".join(f"{fuzzer.seen[route, status] or '':>7}" for status in statuses))


if __name__ == "__main__":
    raise SystemExit(main())
