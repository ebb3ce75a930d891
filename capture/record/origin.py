"""Where an imported row came from, kept so that the proof of the ledger it came from still holds.

An imported row keeps its id, job, kind, time and session. Its body gains the key ``origin``::

    {"seq": its number there, "prev": the hash of the row before it there, "hash": its own hash there}

Taking ``origin`` out again gives the body as it was, and with it the original hash can be recomputed. A row that is
imported a second time holds the older origin inside the newer one. ``layers`` unrolls this: the ledger that the row is
in comes first, the one where it was written last. As jobs are moved whole, one position in that list means one ledger
for all rows of a job.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from capture.errors import IntegrityError
from capture.record import chain
from capture.record.rows import Row

KEY = "origin"
_DEPTH = 64


class Layer(NamedTuple):
    """A row as it stands, or stood, in one ledger."""

    seq: int
    prev: str
    hash: str
    body: Mapping[str, Any]


def with_origin(body: Mapping[str, Any], seq: int, prev: str, hash_: str) -> dict[str, Any]:
    """The body that a row of another ledger gets when it is imported."""
    origin: dict[str, Any] = {"seq": seq, "prev": prev, "hash": hash_}
    if KEY in body:
        origin[KEY] = body[KEY]
    return {**body, KEY: origin}


def layers(row: Row) -> tuple[Layer, ...]:
    """The row in every ledger that it has been in, the present one first.

    Raises:
        IntegrityError: its origin is not what an import writes.
    """
    here = Layer(row.seq, row.prev, row.hash, row.body)
    if KEY not in row.body:
        return (here,)
    found = [here]
    while KEY in found[-1].body and len(found) < _DEPTH:
        found.append(_inner(row, found[-1].body))
    return tuple(found)


def origin_fault(row: Row) -> str | None:
    """Recompute a row's hashes in the ledgers that it came from; what is wrong as a phrase, or None."""
    if KEY not in row.body:
        return None
    try:
        found = layers(row)
        for layer in found[1:]:
            if layer_hash(row, layer) != layer.hash:
                return f"its origin does not prove itself: row {layer.seq} there had another content"
    except (IntegrityError, ValueError) as error:
        return str(error)
    return None


def layer_hash(row: Row, layer: Layer) -> str:
    """What the hash of ``row`` must be in the ledger of ``layer``."""
    return chain.row_hash(
        seq=layer.seq,
        id_=row.id,
        job=row.job,
        kind=row.kind,
        at=row.at,
        mono=row.mono,
        session=row.session,
        body=chain.canonical(layer.body),
        prev=layer.prev,
    )


def _inner(row: Row, body: Mapping[str, Any]) -> Layer:
    origin = body[KEY]
    fields = ("seq", "prev", "hash")
    if not isinstance(origin, dict) or not origin.keys() >= set(fields) or origin.keys() - {*fields, KEY}:
        raise _unreadable(row)
    seq, prev, hash_ = (origin[name] for name in fields)
    if not isinstance(seq, int) or not isinstance(prev, str) or not isinstance(hash_, str):
        raise _unreadable(row)
    inner = {key: value for key, value in body.items() if key != KEY}
    if KEY in origin:
        inner[KEY] = origin[KEY]
    return Layer(seq, prev, hash_, inner)


def _unreadable(row: Row) -> IntegrityError:
    return IntegrityError(f"row {row.seq} (id {row.id}): its origin cannot be read; compare with a copy of the record.")
