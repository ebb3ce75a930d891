from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.bench.durability import kill_writers


@pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")
def test_nothing_acknowledged_is_lost_when_the_program_is_killed(tmp_path: Path) -> None:
    outcome = kill_writers(tmp_path / "record", kills=15, seed=20)
    assert outcome.lost == []
    assert outcome.faults == []
    assert outcome.acknowledged > 15
    assert outcome.rows >= outcome.acknowledged
