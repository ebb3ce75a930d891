"""The media store: files named by the SHA-256 of their bytes, written so that a crash never leaves half of one.

A file is written under a temporary name, flushed to the disk, renamed, and its folder flushed. Only a row of the
ledger makes it part of the record; a file that no row points to is harmless.
"""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Iterator
from hashlib import file_digest, sha256
from pathlib import Path

from capture.errors import IntegrityError, UsageError
from capture.record.rows import MediaRef
from capture.record.trouble import told_plainly

INCOMING = ".incoming-"
"""How the names of files that are being written begin."""

_HASH = re.compile(r"[0-9a-f]{64}")


def media_path(folder: Path, digest: str) -> Path:
    """Where the file with this SHA-256 lies under the media ``folder``.

    Raises:
        UsageError: ``digest`` is not 64 lower-case hexadecimal digits.
    """
    if not _HASH.fullmatch(digest):
        raise UsageError(f"{digest!r} does not name a file of the media store; use its 64 hexadecimal digits.")
    return folder / digest[:2] / digest


def put(folder: Path, content: bytes, kind: str, media_type: str) -> MediaRef:
    """Store ``content`` durably; once is enough, the same bytes again change nothing.

    A file of that name whose bytes are not what the name says is set aside as ``NAME.damaged-…``, not overwritten.

    Raises:
        EnvironmentFault: the disk is full, read-only or failing.
    """
    digest = sha256(content).hexdigest()
    target = media_path(folder, digest)
    with told_plainly(target):
        if not _holds(target, digest):
            make_folder(target.parent)
            _set_aside(target)
            _write(target, content)
    return MediaRef(digest, len(content), media_type, kind)


def get(folder: Path, digest: str) -> bytes:
    """The bytes with this SHA-256.

    Raises:
        UsageError: ``digest`` is not a SHA-256, or there is no such file.
        IntegrityError: the file's bytes are no longer what they were.
    """
    path = media_path(folder, digest)
    with told_plainly(path):
        try:
            content = path.read_bytes()
        except FileNotFoundError:
            raise IntegrityError(f"{path}: the file is missing; put it back from a copy of the record.") from None
    if sha256(content).hexdigest() != digest:
        raise IntegrityError(f"{path}: the file is not what it was; put it back from a copy of the record.")
    return content


def files(folder: Path) -> Iterator[Path]:
    """Every file in the store, whatever its name, in the order of their paths."""
    return (path for path in sorted(folder.rglob("*")) if not path.is_dir())


def digest_of(path: Path) -> str:
    """The SHA-256 of a file, read in pieces."""
    with path.open("rb") as stream:
        return file_digest(stream, "sha256").hexdigest()


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, each flushed to the disk."""
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    for path in reversed(missing):
        path.mkdir(exist_ok=True)
        flush_folder(path.parent)


def flush_folder(folder: Path) -> None:
    """Flush a folder's list of names to the disk, where the system can (not on Windows)."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _holds(path: Path, digest: str) -> bool:
    return path.is_file() and digest_of(path) == digest


def _set_aside(path: Path) -> None:
    if path.exists():
        path.rename(path.with_name(f"{path.name}.damaged-{secrets.token_hex(4)}"))


def _write(target: Path, content: bytes) -> None:
    incoming = target.parent / f"{INCOMING}{secrets.token_hex(8)}"
    try:
        with incoming.open("xb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        incoming.replace(target)
    except BaseException:
        incoming.unlink(missing_ok=True)
        raise
    flush_folder(target.parent)
