"""No request makes the server fail: every route of the table, whoever asks, whatever is sent.

``python -m tests.bench.fuzz_routes`` does the same for as long as one likes.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

from capture.bench.page.app import TABLE
from capture.record import verify
from tests.gates.conftest import Gated
from tests.gates.fuzzing import Fuzzer, requests

EXAMPLES = 300


def test_no_request_makes_the_server_fail(gated: Callable[..., Gated], capfd: pytest.CaptureFixture[str]) -> None:
    bench = gated(plain=True)
    bench.open()
    bench.served.bench.desk.live.typed("stage as received")
    bench.served.bench.desk.live.typed("leaks none")
    fuzzer = Fuzzer(bench)
    anything = some.sampled_from(TABLE.rules).flatmap(requests)

    @settings(
        max_examples=EXAMPLES, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck)
    )
    @given(anything)
    def send(sent: object) -> None:
        fuzzer.send(sent)  # type: ignore[arg-type]

    send()
    used = {route for route, _ in fuzzer.seen}
    assert len(used) > 0.8 * len(TABLE.rules), "most routes had a request"
    assert {200, 400, 401, 403, 404} <= {status for _, status in fuzzer.seen}
    assert "Traceback" not in capfd.readouterr().err
    if bench.served.bench.desk.has_job:
        bench.served.bench.desk.pause()
    assert verify(bench.served.bench.record.folder).ok
