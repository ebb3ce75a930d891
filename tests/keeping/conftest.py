from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from capture.record import Record
from capture.record.signing import Signer


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    """An empty record, open."""
    with Record.create(tmp_path / "record") as opened:
        yield opened


@pytest.fixture
def signer() -> Callable[[str], Signer]:
    """Makes a person with a new key."""
    return lambda person: Signer(person, Ed25519PrivateKey.generate())
