"""Appending many rows in one transaction, each through the same chain as a single one: all of them or none."""

from __future__ import annotations

import secrets
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from capture.errors import UsageError
from capture.record import chain, connection, heads
from capture.record.ledger import Record
from capture.record.rows import Head, MediaRef
from capture.record.times import parse_time
from capture.record.trouble import told_plainly
from capture.record.uuid7 import uuid7

_INSERT = (
    "INSERT INTO ledger (seq, id, job, kind, at, mono, session, body, prev, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)


@dataclass(frozen=True)
class Draft:
    """A row to be: ``body`` without "media", ``at`` an RFC 3339 time, ``id`` a UUIDv7 (made when it is stored)."""

    job: str
    kind: str
    body: Mapping[str, Any]
    at: str
    mono: float
    session: str
    media: Sequence[MediaRef] = field(default=())
    id: str = ""


def append_all(record: Record, drafts: Iterable[Draft]) -> Head:
    """Append ``drafts`` in their order; when this returns, all are on the disk.

    Their media must be in the store already: unlike ``Record.append`` this does not look for them, so that media that
    were purged on purpose can be pointed to.

    Args:
        record: open for writing.
        drafts: an iterable that is walked once, inside the transaction.

    Returns:
        The record's new head.

    Raises:
        UsageError: the record is open for reading only, or a draft is not as above; nothing is stored then.
        EnvironmentFault: the disk is full, read-only or failing, or another program keeps the ledger locked.
    """
    if not record._writing:
        raise UsageError(f"{record.folder}: the record is open for reading only; open it for writing.")
    with record._lock, told_plainly(connection.ledger_path(record.folder)):
        conn = record._db.conn
        conn.execute("BEGIN IMMEDIATE")
        noted: list[tuple[int, str]] = []
        try:
            head = record.head()
            for draft in drafts:
                values = _values(draft, head)
                conn.execute(_INSERT, values)
                head = Head(int(values[0]), str(values[-1]))
                noted.append((head.seq, head.hash))
            conn.execute("COMMIT")
        except BaseException:
            if conn.in_transaction:
                conn.execute("ROLLBACK")
            raise
        heads.add(record.folder, noted)
    return head


def _values(draft: Draft, head: Head) -> tuple[Any, ...]:
    id_ = draft.id or str(uuid7(time.time_ns() // 1_000_000, secrets.token_bytes(10)))
    if not (draft.job and draft.kind and draft.session) or "media" in draft.body:
        raise UsageError("A row needs a job, a kind and a session, and its media apart from its body; hand them in so.")
    try:
        parse_time(draft.at)
        text = chain.canonical({**draft.body, "media": [ref.to_body() for ref in draft.media]})
        seq, mono = head.seq + 1, float(draft.mono) + 0.0
        digest = chain.row_hash(
            seq=seq,
            id_=id_,
            job=draft.job,
            kind=draft.kind,
            at=draft.at,
            mono=mono,
            session=draft.session,
            body=text,
            prev=head.hash,
        )
    except ValueError as error:
        raise UsageError(f"A row cannot be stored: {error}; hand in plain JSON and an RFC 3339 time.") from error
    return (seq, id_, draft.job, draft.kind, draft.at, mono, draft.session, text, head.hash, digest)
