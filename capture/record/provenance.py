"""Do the proofs of imported jobs still hold? Their rows' old hashes, and the old chain from the first to the last."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

from capture.errors import CaptureError
from capture.record import admin
from capture.record import bag_format as form
from capture.record.origin import layers, origin_fault
from capture.record.rows import Fault, Row
from capture.record.signing import digest_of

_COMPARE = "compare with the bag or the record that it came from"


def job_faults(rows: Sequence[Row], read: Callable[[str], bytes]) -> list[Fault]:
    """Check one job.

    Args:
        rows: all its rows, in their order.
        read: gives the bytes of a file by its SHA-256.
    """
    faults = [
        Fault(f"row {row.seq} (id {row.id})", why, _COMPARE) for row in rows if (why := origin_fault(row)) is not None
    ]
    if faults:
        return faults
    for index, row in enumerate(rows):
        if row.kind == admin.IMPORTED:
            why = _import_fault(rows[:index], row, read)
            if why is not None:
                faults.append(Fault(f"row {row.seq} (id {row.id})", why, _COMPARE))
    return faults


def _import_fault(before: Sequence[Row], row: Row, read: Callable[[str], bytes]) -> str | None:
    """What is wrong with one import, given the job's rows before its note: those that had been in one ledger more."""
    depth = len(layers(row))
    there = [known[depth] for known in map(layers, before) if len(known) > depth]
    data = row.body.get("data", {})
    if data.get("rows") != len(there) or data.get("digest") != digest_of(layer.hash for layer in there):
        return f"the job's {len(there)} imported rows are not those of the bag"
    hashes = {layer.seq: (layer.prev, layer.hash) for layer in there}
    try:
        for ref in row.media:
            for line in read(ref.sha256).decode().splitlines():
                link = form.read_link(line)
                hashes[link.seq] = (link.prev, link.hash)
    except (CaptureError, ValueError) as error:
        return f"the links of the chain that it came from cannot be followed ({error})"
    for seq, (prev, _) in hashes.items():
        if seq - 1 in hashes and hashes[seq - 1][1] != prev:
            return f"in the chain that it came from, row {seq} does not follow the row before it"
    numbers = sorted(layer.seq for layer in there)
    for first, last in pairwise(numbers):
        if last - first <= form.BRIDGE and any(seq not in hashes for seq in range(first, last)):
            return f"of the chain that it came from, rows between {first} and {last} are missing"
    return None
