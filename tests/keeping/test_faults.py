"""Calls of a live job that fail once, a sample of them (``python -m tests.bench.faults`` for all)."""

from __future__ import annotations

import errno
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.faults import compiled, runs


@pytest.mark.skipif(not sys.platform.startswith("linux") or shutil.which("gcc") is None, reason="needs gcc on Linux")
@pytest.mark.parametrize("error", [errno.EIO, errno.ENOSPC])
def test_a_call_that_fails_once_loses_nothing(tmp_path: Path, error: int) -> None:
    try:
        library = compiled(tmp_path)
    except subprocess.CalledProcessError:
        pytest.skip("gcc cannot compile here")
    first, *others = runs(library, "sample:3", error)
    assert first.calls > 300, "the calls of the job are seen"
    assert first.own == first.wrong == ()
    assert [run.wrong for run in others] == [()] * 3
    assert all(run.call for run in others), "each had its fault"
