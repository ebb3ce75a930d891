"""Writer of weighted finite-state transducers in OpenFst's binary "vector" format over the tropical semiring."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import numpy.typing as npt

MAGIC = 2125659606
PROPERTIES = 0x3  # expanded and mutable; nothing else is claimed
ARC = np.dtype([("ilabel", "<i4"), ("olabel", "<i4"), ("weight", "<f4"), ("next", "<i4")])

Arc = tuple[int, int, int, int, float]
"""From state, to state, input label, output label, cost."""


def _text(value: bytes) -> bytes:
    return struct.pack("<i", len(value)) + value


def write_fst(path: Path, states: int, start: int, arcs: list[Arc], finals: Mapping[int, float]) -> None:
    """Write a transducer of ``states`` states; a state in ``finals`` may end, at the cost given."""
    table = np.array([(a[2], a[3], a[4], a[1]) for a in arcs], dtype=ARC)
    source: npt.NDArray[np.int64] = np.fromiter((a[0] for a in arcs), np.int64, len(arcs))
    order = np.argsort(source, kind="stable")
    body = table[order].tobytes()
    counts = np.bincount(source, minlength=states)
    parts = [
        struct.pack("<i", MAGIC),
        _text(b"vector"),
        _text(b"standard"),
        struct.pack("<iiQqqq", 2, 0, PROPERTIES, start, states, len(arcs)),
    ]
    at = 0
    for state in range(states):
        n = int(counts[state])
        parts.append(struct.pack("<fq", finals.get(state, float("inf")), n))
        parts.append(body[at : at + n * ARC.itemsize])
        at += n * ARC.itemsize
    path.write_bytes(b"".join(parts))
