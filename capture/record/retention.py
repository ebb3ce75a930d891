"""Removing sound on purpose when it is older than a rule, and saying so in the record.

A purge appends to each job a row of kind "purged" with the rule and the SHA-256, size, type and part of every file that
goes, signed when a key is given; only then are the files removed. The entries, their words and the files' hashes
stay, the chain holds, and a verification says "purged on purpose" instead of "missing". Copies elsewhere, in bags and
backups, are not touched.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from capture.errors import UsageError
from capture.record import admin
from capture.record.ledger import Record
from capture.record.media import flush_folder
from capture.record.rows import MediaRef, Row
from capture.record.signing import PURGE, Moment, Signer, append_admin, has_key, put_key, seal
from capture.record.times import parse_time
from capture.record.trouble import told_plainly


@dataclass(frozen=True)
class JobSound:
    """The files of one job that are old enough, each once, with the ids of the rows that point to it."""

    job: str
    files: tuple[tuple[MediaRef, tuple[str, ...]], ...]

    @property
    def size(self) -> int:
        """Bytes."""
        return sum(ref.size for ref, _ in self.files)


def old_sound(record: Record, days: int, now: datetime) -> list[JobSound]:
    """What a purge would remove: sound files none of whose rows, in any job, is younger than ``days`` days.

    Files that are gone already, and those that a row of kind "purged" names already, are left out.

    Args:
        record: open.
        days: a whole number, 1 or more.
        now: an aware datetime.

    Raises:
        UsageError: ``days`` is not.
    """
    if days < 1:
        raise UsageError(f"{days} days is no age; give the number of days after which sound may go, 1 or more.")
    limit = now - timedelta(days=days)
    found: dict[str, dict[str, tuple[MediaRef, list[str]]]] = {}
    young: set[str] = set()
    rows = record._fetch(_SOUND, ())
    named = {(str(job), str(digest)) for job, digest in record._fetch(_NAMED, (admin.PURGED,))}
    for job, id_, at, digest, size, media_type, kind in rows:
        if parse_time(at) > limit:
            young.add(digest)
        elif (job, digest) not in named:
            ref = MediaRef(digest, size, media_type, kind)
            found.setdefault(job, {}).setdefault(digest, (ref, []))[1].append(id_)
    old = []
    for job, files in found.items():
        listed = [
            (ref, tuple(ids))
            for ref, ids in files.values()
            if ref.sha256 not in young and record.media_path(ref.sha256).is_file()
        ]
        if listed:
            old.append(JobSound(job, tuple(listed)))
    return old


def purge(
    record: Record, sounds: Sequence[JobSound], days: int, person: str, moment: Moment, signer: Signer | None = None
) -> int:
    """Write a row for each job, then remove the files.

    Args:
        record: open for writing.
        sounds: what ``old_sound`` found.
        days: the rule.
        person: who decided it.
        moment: now.
        signer: that person with an unlocked key, or None for rows without a signature.

    Returns:
        How many files were removed.

    Raises:
        UsageError: nobody is named.
        EnvironmentFault: the disk is failing or read-only; purging again removes what is left.
    """
    if not person.strip():
        raise UsageError("A purge is somebody's decision; give the person with --person.")
    for sound in sounds:
        data = _data(sound, days, person, moment)
        if signer is not None:
            if not has_key(record.rows(sound.job), signer):
                put_key(record, sound.job, signer, moment)
            data["sealed"] = seal(signer, PURGE, {**data, "job": sound.job, "key": signer.key})
        append_admin(record, sound.job, admin.PURGED, None, data, moment)
    return remove_purged(record)


def remove_purged(record: Record) -> int:
    """Remove every file that all jobs which point to it have purged, also what an interrupted purge left behind.

    Returns:
        How many files were removed.
    """
    named = {(str(job), str(digest)) for job, digest in record._fetch(_NAMED, (admin.PURGED,))}
    wanted = {str(digest) for job, _, _, digest, *_ in record._fetch(_SOUND, ()) if (job, digest) not in named}
    removed = 0
    for digest in sorted({digest for _, digest in named} - wanted):
        path = record.media_path(digest)
        with told_plainly(path):
            if path.is_file():
                path.unlink()
                flush_folder(path.parent)
                removed += 1
    return removed


def purged_files(row: Row) -> list[str]:
    """The SHA-256 of the files that a row of kind "purged" names."""
    return [str(item["sha256"]) for item in row.body["data"]["files"]]


def _data(sound: JobSound, days: int, person: str, moment: Moment) -> dict[str, Any]:
    return {
        "rule": {"audio_older_than_days": days},
        "at": moment.at,
        "person": " ".join(person.split()),
        "files": [{**ref.to_body(), "rows": list(ids)} for ref, ids in sound.files],
    }


_SOUND = """
SELECT l.job, l.id, l.at, json_extract(m.value, '$.sha256'), json_extract(m.value, '$.size'),
  json_extract(m.value, '$.media_type'), json_extract(m.value, '$.kind')
FROM ledger AS l, json_each(l.body, '$.media') AS m
WHERE json_extract(m.value, '$.media_type') LIKE 'audio/%' ORDER BY l.seq
"""
_NAMED = """
SELECT l.job, json_extract(f.value, '$.sha256') FROM ledger AS l, json_each(l.body, '$.data.files') AS f
WHERE l.kind = ?
"""
