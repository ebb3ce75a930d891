"""A bench with an empty record."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.procedure import find, load_procedure
from capture.record import Record
from tests.bench.hearing_talk import Desk


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """For jobs of the lever valve."""
    with Record.create(tmp_path / "record") as record:
        yield Desk(record, load_procedure(find("lever_valve")))
