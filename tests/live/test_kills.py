"""A live job survives being killed at any moment (``python -m tests.live.kills 200`` for many)."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.live.killed import lines
from tests.live.kills import kill_once


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
@pytest.mark.parametrize("seed", range(4))
def test_nothing_acknowledged_and_nothing_spoken_is_lost(tmp_path: Path, seed: int) -> None:
    out = kill_once(tmp_path, seed)
    assert out.lost == 0
    assert out.heard == lines()[: len(out.heard)], "every line once, in its order"
    assert len(out.heard) >= out.spooled, "what was wholly spoken is heard when the job is taken up"
    assert out.whole
