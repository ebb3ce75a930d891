from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from capture.record import MediaRef, Record, Row

START = datetime(2031, 5, 6, 9, 15, tzinfo=UTC)
Append = Callable[..., Row]


def append(record: Record, number: int, *, media: tuple[MediaRef, ...] = (), **body: Any) -> Row:
    """One reading row, ``number`` seconds after the start."""
    body = {"kind": "reading", "status": "accepted", "words": f"effort number {number} ³", "warnings": [], **body}
    at = START + timedelta(seconds=number)
    return record.append(job="J-1", kind="reading", body=body, at=at, mono=number / 8, session="s1", media=media)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A closed record of 12 rows; every third has a clip."""
    path = tmp_path / "record"
    with Record.create(path) as record:
        for number in range(1, 13):
            media = (record.put_media(b"RIFF" + bytes([number]) * 999, "clip", "audio/wav"),) if number % 3 == 0 else ()
            append(record, number, media=media)
    return path


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    """An empty record, open."""
    with Record.create(tmp_path / "record") as opened:
        yield opened
