"""What a row's body says that a verification must follow up: files, purges, proofs, reviews, origins."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from capture.record.admin import IMPORTED, PURGED, SIGNATURE
from capture.record.decisions import REVIEWED
from capture.record.rows import MediaRef

PROVEN = (SIGNATURE, PURGED, IMPORTED, REVIEWED)
"""Kinds of rows for whose sake a job's proofs are followed."""

UUID7 = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}")
_SHA256 = re.compile(r"[0-9a-f]{64}")


@dataclass
class Remarks:
    """What some rows gave.

    refs: (SHA-256, size, media type, kind, row, job) of each file that a row points to.
    purged: (job, SHA-256) of files that a row, unchanged, says were purged.
    proven: (job, row, whether imported) of rows for whose sake the job's proofs are followed.
    altered: jobs with an entry that was written in review.
    astray: (row, id, job) of rows that say that they came from another record.
    """

    refs: list[tuple[str, int, str, str, int, str]] = field(default_factory=list)
    purged: list[tuple[str, str]] = field(default_factory=list)
    proven: list[tuple[str, int, bool]] = field(default_factory=list)
    altered: list[str] = field(default_factory=list)
    astray: list[tuple[int, str, str]] = field(default_factory=list)

    def point(self, seq: int, job: str, media: Iterable[Any]) -> None:
        """The row points to these files.

        Raises:
            ValueError, TypeError, KeyError: what the row says is no list of references to files; nothing is noted.
        """
        refs = [_ref(medium) for medium in media]
        self.refs += [(ref.sha256, ref.size, ref.media_type, ref.kind, seq, job) for ref in refs]

    def add(self, seq: int, id_: str, job: str, kind: str, body: Mapping[str, Any], *, itself: bool) -> None:
        """Everything else that a row gives; ``itself``: its content gives its hash."""
        if kind == PURGED and itself:
            self.purged += [(job, digest) for digest in _purged(body)]
        if kind in PROVEN:
            self.proven.append((job, seq, kind == IMPORTED))
        if "review" in body:
            self.altered.append(job)
        if "origin" in body:
            self.astray.append((seq, id_, job))


def _ref(medium: Mapping[str, Any]) -> MediaRef:
    ref = MediaRef(medium["sha256"], medium["size"], medium["media_type"], medium["kind"])
    if type(ref.size) is not int or not all(isinstance(t, str) for t in (ref.sha256, ref.media_type, ref.kind)):
        raise TypeError(f"not a media reference: {medium}")
    if not _SHA256.fullmatch(ref.sha256) or ref.size < 0:
        raise ValueError(f"{ref.sha256!r} does not name a file of the media store")
    (ref.media_type + ref.kind).encode()
    return ref


def _purged(body: Mapping[str, Any]) -> list[str]:
    try:
        return [str(item["sha256"]) for item in body["data"]["files"]]
    except (KeyError, TypeError):
        return []
