"""Weighted finite-state transducers in OpenFst's binary "vector" format over the tropical semiring: a writer, and what
the head of a file tells."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from pathlib import Path

import numpy as np

MAGIC = 2125659606
HAS_OUTPUT_WORDS = 0x2
PROPERTIES = 0x3  # expanded and mutable; nothing else is claimed
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
    source, to, heard, said, weight = (np.array(c) for c in zip(*arcs, strict=True)) if arcs else [np.zeros(0, int)] * 5
    table = np.empty(len(arcs), dtype=ARC)
    table["ilabel"], table["olabel"], table["weight"], table["next"] = heard, said, weight, to
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
