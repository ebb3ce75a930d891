"""The quick look at heads.txt says the same as the long one."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture.record import Record, heads
from tests.keeping.world import usual_job


@pytest.mark.parametrize("count", [0, 1, 9, 10, 11, 99, 100, 101, 1234])
def test_complete_lines_are_seen_as_complete(tmp_path: Path, count: int) -> None:
    lines = [(seq, f"{seq:064x}") for seq in range(1, count + 1)]
    heads.add(tmp_path, lines)
    assert heads.is_complete(tmp_path, count, f"{count:064x}")
    assert not heads.is_complete(tmp_path, count + 1, f"{count + 1:064x}")
    if count:
        assert not heads.is_complete(tmp_path, count, "0" * 63 + "f")
        (tmp_path / heads.NAME).unlink()
        assert not heads.is_complete(tmp_path, count, f"{count:064x}")
        heads.add(tmp_path, lines[1:])
        assert not heads.is_complete(tmp_path, count, f"{count:064x}")


def test_a_line_that_is_missing_in_the_middle_is_made_up_for(record: Record) -> None:
    usual_job(record)
    path = record.folder / heads.NAME
    whole = path.read_bytes()
    lines = whole.splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:3] + lines[4:]))
    with Record.open(record.folder):
        pass
    assert sorted(path.read_bytes().splitlines()) == sorted(whole.splitlines())
