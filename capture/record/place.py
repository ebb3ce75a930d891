"""Where the record is, when nobody says."""

from __future__ import annotations

import os
from pathlib import Path

VARIABLE = "BENCHWITNESS_RECORD"
DEFAULT = "benchwitness-record"


def record_folder(given: str | Path | None = None) -> Path:
    """The record's folder: ``given``, else the environment variable BENCHWITNESS_RECORD, else
    ``benchwitness-record`` in the current folder. It need not exist."""
    return Path(given or os.environ.get(VARIABLE) or DEFAULT)
