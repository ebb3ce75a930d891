"""Weighted finite-state transducers in OpenFst's binary "const" format over the tropical semiring, which is read in two
pieces and not arc by arc: a writer, and what the head of a file tells."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from itertools import chain
from pathlib import Path

import numpy as np

MAGIC = 2125659606
HAS_OUTPUT_WORDS = 0x2
VERSION = 2
"""Of the format, without gaps between its parts."""
PROPERTIES = 0x1  # expanded; nothing else is claimed
STATE = np.dtype([("final", "<f4"), ("first", "<u4"), ("arcs", "<u4"), ("silent", "<u4"), ("wordless", "<u4")])
ARC = np.dtype([("ilabel", "<i4"), ("olabel", "<i4"), ("weight", "<f4"), ("next", "<i4")])

Arc = tuple[int, int, int, int, float]
"""From state, to state, input label, output label, cost."""


def _text(value: bytes) -> bytes:
    return struct.pack("<i", len(value)) + value


def carries_words(path: Path) -> bool:
    """Whether a file is a transducer in OpenFst's binary format that carries the table of its output words."""
    try:
        with path.open("rb") as f:
            if struct.unpack("<i", f.read(4)) != (MAGIC,):
                return False
            for _ in range(2):
                f.seek(struct.unpack("<i", f.read(4))[0], 1)
            return bool(struct.unpack("<ii", f.read(8))[1] & HAS_OUTPUT_WORDS)
    except (OSError, struct.error):
        return False


def write_fst(path: Path, states: int, start: int, arcs: list[Arc], finals: Mapping[int, float]) -> None:
    """Write a transducer of ``states`` states; a state in ``finals`` may end, at the cost given."""
    rows = np.fromiter(chain.from_iterable(arcs), np.float64, 5 * len(arcs)).reshape(-1, 5)
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    source = rows[:, 0].astype(np.int64)
    table = np.empty(len(rows), dtype=ARC)
    for name, column in (("ilabel", 2), ("olabel", 3), ("weight", 4), ("next", 1)):
        table[name] = rows[:, column]
    states_table = np.empty(states, dtype=STATE)
    states_table["final"] = np.inf
    states_table["final"][list(finals)] = list(finals.values())
    states_table["arcs"] = counts = np.bincount(source, minlength=states)
    states_table["first"] = np.cumsum(counts) - counts
    states_table["silent"] = np.bincount(source, table["ilabel"] == 0, states)
    states_table["wordless"] = np.bincount(source, table["olabel"] == 0, states)
    head = struct.pack("<iiQqqq", VERSION, 0, PROPERTIES, start, states, len(arcs))
    head = struct.pack("<i", MAGIC) + _text(b"const") + _text(b"standard") + head
    path.write_bytes(head + states_table.tobytes() + table.tobytes())
