"""How jobs lie in a bag: the names of its files and the lines that rows are written as.

A bag is a folder, or a ZIP archive of one, as RFC 8493 (BagIt 1.0) describes it::

    bagit.txt bag-info.txt manifest-sha256.txt tagmanifest-sha256.txt
    data/README.txt                 how to check the bag without this program
    data/record.json                which jobs, from which chain, up to which head
    data/jobs/JOB.jsonl             every row of one job
    data/links.jsonl                the rows of other jobs between them, without what they say
    data/media/ab/ab12…             clips, pictures and files
    data/keys/KEY.pem               public keys; data/signatures/ROW.statement and ROW.sig what was signed, and how
    data/reports/JOB.html           a report, for reading only

A row's line is the canonical JSON (RFC 8785) of its ten columns, the body as an object. A link's line is the same with
the SHA-256 of the body's text instead of the body: its hash can be recomputed, so the chain from a job's first row to
its last has no hole in which one of its rows could be missing, and other jobs' contents stay where they are. Between
rows that lie more than ``BRIDGE`` rows apart the links are left out.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from math import isfinite
from pathlib import PurePosixPath
from typing import Any
from uuid import UUID

from capture.errors import IntegrityError
from capture.record import admin, chain
from capture.record.keys import public_pem
from capture.record.rows import MediaRef, Row
from capture.record.signing import PURGE, SIGN_OFF, digest_of, message, public_key
from capture.record.times import parse_time

FORMAT = "benchwitness bag, version 1"
BRIDGE = 10_000
FOLDER_IN_ZIP = "benchwitness-bag"
BAGIT = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
TAG_FILES = ("bag-info.txt", "bagit.txt", "manifest-sha256.txt")
TAG_MANIFEST = "tagmanifest-sha256.txt"
MANIFEST = "manifest-sha256.txt"
RECORD, LINKS, README = "data/record.json", "data/links.jsonl", "data/README.txt"

LONGEST_LINE = 32 * 1024 * 1024
"""Bytes of the longest line of a file in a bag."""

_COLUMNS = frozenset({"at", "body", "hash", "id", "job", "kind", "mono", "prev", "seq", "session"})
_HASH = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class Link:
    """A row without what it says; ``body`` is the SHA-256 of its body's text."""

    seq: int
    id: str
    job: str
    kind: str
    at: str
    mono: float
    session: str
    body: str
    prev: str
    hash: str


def job_path(job: str) -> str:
    """Where a job's rows lie in a bag."""
    return f"data/jobs/{job}.jsonl"


def report_path(job: str) -> str:
    """Where a job's report lies in a bag."""
    return f"data/reports/{job}.html"


def media_path(digest: str) -> str:
    """Where a file lies in a bag."""
    return f"data/media/{digest[:2]}/{digest}"


def row_line(row: Row) -> str:
    """A row's line, without its end."""
    return chain.canonical({name: getattr(row, name) for name in sorted(_COLUMNS)})


def link_of(row: Row) -> Link:
    """A row without what it says."""
    body = sha256(chain.canonical(row.body).encode()).hexdigest()
    return Link(row.seq, row.id, row.job, row.kind, row.at, row.mono, row.session, body, row.prev, row.hash)


def link_line(link: Link) -> str:
    """A link's line, without its end."""
    return chain.canonical({name: getattr(link, name) for name in sorted(_COLUMNS)})


def link_hash(link: Link) -> str:
    """What the link's hash must be (see ``capture.record.chain``)."""
    envelope = {name: getattr(link, name) for name in _COLUMNS - {"hash"}}
    return sha256(chain.canonical(envelope).encode()).hexdigest()


def read_row(line: str) -> Row:
    """A row from its line, its hash recomputed.

    Raises:
        ValueError: the line is not one, or its hash is not its own; the message says why.
    """
    row = Row(**_columns(line, dict))
    if link_hash(link_of(row)) != row.hash:
        raise ValueError(f"row {row.seq} (id {row.id}) was changed: its content does not give its hash")
    media = row.body.get("media")
    if not isinstance(media, list):
        raise ValueError(f"row {row.seq} (id {row.id}) has no list of files")
    for medium in media:
        _check_medium(row, medium)
    return row


def read_link(line: str) -> Link:
    """A link from its line, its hash recomputed.

    Raises:
        ValueError: as ``read_row``.
    """
    link = Link(**_columns(line, str))
    if not _HASH.fullmatch(link.body) or link_hash(link) != link.hash:
        raise ValueError(f"the link of row {link.seq} (id {link.id}) was changed: its content does not give its hash")
    return link


def describe(jobs: Mapping[str, Iterable[Row]]) -> list[dict[str, Any]]:
    """What ``record.json`` says of each job: its id, how many rows, the first's and last's number, the digest of their
    hashes (see ``signing``)."""
    found = []
    for job, rows in jobs.items():
        listed = list(rows)
        found.append(
            {
                "job": job,
                "rows": len(listed),
                "first": listed[0].seq,
                "last": listed[-1].seq,
                "digest": digest_of(row.hash for row in listed),
            }
        )
    return found


def derived_files(rows: Iterable[Row]) -> dict[str, bytes]:
    """The files with keys and signatures that follow from a job's rows: path in the bag to content.

    ``openssl pkeyutl -verify -rawin -pubin -inkey KEY.pem -in ROW.statement -sigfile ROW.sig`` checks one.

    Raises:
        UsageError, ValueError: a row with a key or signature is not what the program writes.
    """
    found: dict[str, bytes] = {}
    for row in rows:
        data = row.body.get("data", {})
        if row.kind == admin.KEY:
            key = public_key(row)
            found[f"data/keys/{key.id}.pem"] = public_pem(key.raw).encode()
        sealed = data if row.kind == admin.SIGNATURE else data.get("sealed") if row.kind == admin.PURGED else None
        if sealed:
            domain = SIGN_OFF if row.kind == admin.SIGNATURE else PURGE
            try:
                found[f"data/signatures/{row.id}.statement"] = message(domain, sealed["statement"])
                found[f"data/signatures/{row.id}.sig"] = base64.b64decode(sealed["signature"], validate=True)
            except (KeyError, TypeError) as error:
                raise ValueError(f"row {row.seq} (id {row.id}) is no signature: {error!r}") from error
    return found


def is_uuid7(text: str) -> bool:
    """Whether ``text`` is a UUIDv7 as the program writes it."""
    try:
        value = UUID(text)
    except ValueError:
        return False
    return value.version == 7 and str(value) == text


def refused(where: object, faults: list[str]) -> IntegrityError:
    """The error that a bag is not taken, with everything that is wrong."""
    shown = faults[:20] + ([f"and {len(faults) - 20} more"] if len(faults) > 20 else [])
    listed = "\n".join(f"  {fault}" for fault in shown)
    return IntegrityError(f"{where}: the bag is refused, nothing was imported; ask its sender for a new one:\n{listed}")


def safe_path(text: str) -> str | None:
    """Why a path of a bag is refused, or None: only plain names of ASCII letters, digits, dot, dash and underscore."""
    parts = PurePosixPath(text).parts
    if not text or text != "/".join(parts) or len(text) > 240:
        return "its path is not plain"
    if not all(re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,119}", part) for part in parts):
        return "its path has a part that a bag of this program never has"
    return None


def _columns(line: str, body: type) -> dict[str, Any]:
    try:
        found = chain.load(line)
    except RecursionError:
        raise ValueError("a line is nested too deeply") from None
    if not isinstance(found, dict) or found.keys() != _COLUMNS or chain.canonical(found) != line:
        raise ValueError("a line is not the canonical JSON of a row")
    texts = all(isinstance(found[name], str) for name in _COLUMNS - {"seq", "mono", "body"})
    mono = found["mono"]
    numbers = type(found["seq"]) is int and isinstance(mono, int | float) and not isinstance(mono, bool)
    if not texts or not numbers or not isinstance(found["body"], body):
        raise ValueError("a line has a column of the wrong kind")
    if found["seq"] < 1 or not isfinite(mono) or mono < 0 or not found["kind"] or not found["session"]:
        raise ValueError("a line has a column of no sense")
    if not is_uuid7(found["id"]) or not is_uuid7(found["job"]):
        raise ValueError(f"row {found['seq']}: its id or its job's id is not a UUIDv7")
    parse_time(found["at"])
    return {**found, "mono": float(mono)}


def _check_medium(row: Row, medium: Any) -> None:
    try:
        ref = MediaRef(medium["sha256"], medium["size"], medium["media_type"], medium["kind"])
        good = bool(_HASH.fullmatch(ref.sha256)) and type(ref.size) is int and ref.size >= 0 and ref.to_body() == medium
        good = good and isinstance(ref.media_type, str) and isinstance(ref.kind, str)
    except (KeyError, TypeError):
        good = False
    if not good:
        raise ValueError(f"row {row.seq} (id {row.id}) points to a file in a way that the program does not write")
