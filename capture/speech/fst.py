"""Weighted finite-state transducers in OpenFst's binary "vector" format over the tropical semiring: a writer, and what
the head of a file tells."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from itertools import chain
from pathlib import Path

import numpy as np
import numpy.typing as npt

MAGIC = 2125659606
HAS_OUTPUT_WORDS = 0x2
PROPERTIES = 0x3  # expanded and mutable; nothing else is claimed
STATE = np.dtype([("final", "<f4"), ("arcs", "<i8")])
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
    counts = np.bincount(source, minlength=states)
    heads = np.empty(states, dtype=STATE)
    heads["final"], heads["arcs"] = np.inf, counts
    for state, cost in finals.items():
        heads["final"][state] = cost
    body = np.empty((states * STATE.itemsize + len(rows) * ARC.itemsize) // 4, "<i4")
    before = np.concatenate([[0], np.cumsum(counts)[:-1]])
    _lay(body, heads, STATE.itemsize * np.arange(states) + ARC.itemsize * before)
    _lay(body, table, STATE.itemsize * (source + 1) + ARC.itemsize * np.arange(len(rows)))
    head = struct.pack("<iiQqqq", 2, 0, PROPERTIES, start, states, len(arcs))
    path.write_bytes(struct.pack("<i", MAGIC) + _text(b"vector") + _text(b"standard") + head + body.tobytes())


def _lay(body: npt.NDArray[np.int32], records: npt.NDArray[np.void], at: npt.NDArray[np.int64]) -> None:
    """Put records of one size, a multiple of four bytes, into ``body``, each at its place in bytes."""
    size = records.dtype.itemsize // 4
    body[at[:, None] // 4 + np.arange(size)] = records.view("<i4").reshape(-1, size)
