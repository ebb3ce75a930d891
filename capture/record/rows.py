"""What the record hands out: rows, media references, heads, summaries and the result of a verification."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from capture.record.times import parse_time

if TYPE_CHECKING:
    from capture.record.signatures import Signed


@dataclass(frozen=True)
class MediaRef:
    """A file in the media store: SHA-256 of its bytes (64 hexadecimal digits), its size in bytes, what it is by
    MIME type, and its part in the job ("clip", "photo", "overlay", "procedure", "setup", ...)."""

    sha256: str
    size: int
    media_type: str
    kind: str

    def to_body(self) -> dict[str, Any]:
        """The reference as it stands in a row's ``body["media"]``."""
        return {"sha256": self.sha256, "size": self.size, "media_type": self.media_type, "kind": self.kind}


@dataclass(frozen=True)
class Row:
    """One row of the ledger. ``id`` is a UUIDv7, ``at`` an RFC 3339 time with offset, ``mono`` seconds since the
    session began, ``prev`` the hash of the row before, ``hash`` this row's own (see ``chain``)."""

    seq: int
    id: str
    job: str
    kind: str
    at: str
    mono: float
    session: str
    body: dict[str, Any]
    prev: str
    hash: str

    @property
    def when(self) -> datetime:
        """``at`` as an aware datetime."""
        return parse_time(self.at)

    @property
    def media(self) -> tuple[MediaRef, ...]:
        """The media that this row points to, in the row's order."""
        return tuple(MediaRef(m["sha256"], m["size"], m["media_type"], m["kind"]) for m in self.body.get("media", ()))


@dataclass(frozen=True)
class Head:
    """The last row's number and hash: whoever keeps it elsewhere can later see that nothing was cut off."""

    seq: int
    hash: str


@dataclass(frozen=True)
class JobSummary:
    """One job at a glance. ``unit`` is what was spelled of the unit's identity, ``ended`` whether the job was
    closed; ``last`` and ``opened`` are RFC 3339 times."""

    job: str
    procedure: str | None
    procedure_name: str | None
    procedure_version: str | None
    technician: str | None
    reference: str | None
    unit: str | None
    opened: str
    last: str
    ended: bool
    rows: int
    readings: int
    warnings: int


@dataclass(frozen=True)
class Fault:
    """Something that is not as it should be: where it is, what it is, what to do about it."""

    where: str
    what: str
    todo: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}; {self.todo}"


@dataclass(frozen=True)
class Verification:
    """What ``verify`` found: how many rows and media files it recomputed, the head, the faults (none: the record
    proves itself), notices, which are worth knowing but no fault, and the signatures, ``signed`` of them: the first
    ones, the first of each key, and all that are in doubt."""

    rows: int
    media: int
    head: Head
    faults: tuple[Fault, ...]
    notices: tuple[Fault, ...] = ()
    signatures: tuple[Signed, ...] = ()
    signed: int = 0

    @property
    def ok(self) -> bool:
        """True when there is no fault."""
        return not self.faults
