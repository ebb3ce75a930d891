"""Benches with an empty record."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.procedure import find, load_procedure
from capture.record import Record
from tests.bench.hearing_talk import Desk


def _desk(folder: Path, procedure: str) -> Iterator[Desk]:
    with Record.create(folder / "record") as record:
        yield Desk(record, load_procedure(find(procedure)))


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """For jobs of the lever valve."""
    yield from _desk(tmp_path, "lever_valve")


@pytest.fixture
def desk_of_reducer(tmp_path: Path) -> Iterator[Desk]:
    """For jobs of the pressure reducer."""
    yield from _desk(tmp_path, "pressure_reducer")
