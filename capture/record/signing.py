"""Signing a job: an Ed25519 signature (RFC 8032) over the chain's head and over the job's own rows, kept as a row.

What is signed is the line ``SIGN_OFF`` followed by the canonical JSON (RFC 8785) of the statement::

    {"at": …, "digest": …, "head": {"hash": …, "seq": …}, "job": …, "key": …, "person": …, "role": …, "rows": …}

``head`` is the record's last row at that moment, so the signature vouches for everything that the chain held.
``digest`` is the SHA-256 of the canonical JSON list of the hashes of the job's ``rows`` rows so far: with it the
signature can be checked from the job alone, wherever it has been taken. The first line keeps a signature from passing
for one of another kind.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from capture.errors import UsageError
from capture.record import admin, chain
from capture.record.keys import PublicKey, key_id, load_public, same_person
from capture.record.ledger import Record
from capture.record.rows import Row

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from capture.procedure.model import Procedure

SIGN_OFF = "benchwitness sign-off, version 1\n"
PURGE = "benchwitness purge, version 1\n"


@dataclass(frozen=True)
class Signer:
    """Somebody with an unlocked key."""

    person: str
    private: Ed25519PrivateKey

    @property
    def raw(self) -> bytes:
        """The public key's 32 bytes."""
        return self.private.public_key().public_bytes_raw()

    @property
    def key(self) -> str:
        """The key's id."""
        return key_id(self.raw)


@dataclass(frozen=True)
class Moment:
    """When and in which session a row of the record's keeping is written: RFC 3339 time, session id."""

    at: str
    session: str


def message(domain: str, statement: Mapping[str, Any]) -> bytes:
    """The bytes that are signed: the domain's line, then the statement as canonical JSON."""
    return (domain + chain.canonical(dict(statement))).encode()


def seal(signer: Signer, domain: str, statement: Mapping[str, Any]) -> dict[str, Any]:
    """A statement with its signature, as a row's data holds them."""
    signature = signer.private.sign(message(domain, statement))
    return {
        "algorithm": "Ed25519",
        "statement": dict(statement),
        "signature": base64.b64encode(signature).decode(),
    }


def holds(raw: bytes, domain: str, sealed: Mapping[str, Any]) -> bool:
    """Whether the signature in ``sealed`` (see ``seal``) is that key's over that statement."""
    from cryptography.exceptions import InvalidSignature

    try:
        signature = base64.b64decode(sealed["signature"], validate=True)
        load_public(raw).verify(signature, message(domain, sealed["statement"]))
    except (InvalidSignature, KeyError, TypeError, ValueError, binascii.Error):
        return False
    return sealed.get("algorithm") == "Ed25519"


def digest_of(hashes: Iterable[str]) -> str:
    """The SHA-256 of the canonical JSON list of row hashes, in the order of the rows."""
    return chain.list_hash(hashes)


def sign_job(record: Record, job: str, role: str, signer: Signer, procedure: Procedure, moment: Moment) -> Row:
    """Sign a job in a role; the key becomes part of the job first, when it is not yet.

    Args:
        record: open for writing.
        job: the job's whole id.
        role: the id of one of the procedure's roles.
        signer: the person and the unlocked key.
        procedure: the procedure of the job.
        moment: now.

    Returns:
        The signature's row.

    Raises:
        UsageError: there is no such job or role, or another person has to sign in this role.
    """
    rows = admin.job_rows(record, job)
    check_role(rows, role, signer.person, signer.key, procedure)
    if not has_key(rows, signer):
        rows.append(put_key(record, job, signer, moment))
    head = record.head()
    statement = {
        "at": moment.at,
        "digest": digest_of(row.hash for row in rows),
        "head": {"seq": head.seq, "hash": head.hash},
        "job": job,
        "key": signer.key,
        "person": signer.person,
        "role": role,
        "rows": len(rows),
    }
    data = {"role": role, "person": signer.person, "key": signer.key, **seal(signer, SIGN_OFF, statement)}
    return append_admin(record, job, admin.SIGNATURE, role, data, moment)


def append_admin(
    record: Record, job: str, kind: str, subject: str | None, data: Mapping[str, Any], moment: Moment
) -> Row:
    """Append one row of the record's keeping (see ``admin``) to a job."""
    body = admin.body(kind, subject, data)
    return record.append(job=job, kind=kind, body=body, at=moment.at, mono=0.0, session=moment.session)


def check_role(rows: Sequence[Row], role: str, person: str, key: str, procedure: Procedure) -> None:
    """Refuse a signature that the procedure does not allow.

    Two roles that must be different persons may share neither the name nor the key. Signed roles count, roles that
    were spoken for at the bench, and the technician who opened the job.

    Raises:
        UsageError: the procedure has no such role, or somebody else must sign in it.
    """
    known = {item.id: item for item in procedure.roles}
    if role not in known:
        names = ", ".join(sorted(known)) or "none"
        raise UsageError(f"{procedure.name}: there is no role {role!r}; its roles are: {names}.")
    differing = set(known[role].differs_from) | {item.id for item in procedure.roles if role in item.differs_from}
    for other, holder, holder_key in _held_roles(rows):
        if other in differing - {role} and (same_person(person, holder) or key == holder_key):
            name = known[other].name if other in known else other
            raise UsageError(
                f"{person} cannot sign as {known[role].name}: {holder} is the {name} of this job, and the procedure "
                "asks for different persons; let somebody else sign with a key of their own."
            )


def open_points(rows: Sequence[Row]) -> list[str]:
    """What a signer should know of a job that is not settled, a sentence each: not finished, missing, unconfirmed."""
    ends = [row for row in rows if row.kind in ("job_end", "reopened")]
    if not ends or ends[-1].kind == "reopened":
        return ["The job is not finished; what comes later is not covered by the signature."]
    data = ends[-1].body.get("data")
    counts = {name: len(data.get(name) or ()) if isinstance(data, dict) else 0 for name in ("missing", "unconfirmed")}
    said = []
    if counts["missing"]:
        said.append(f"Required entries missing when the job was finished: {counts['missing']}; see the report.")
    if counts["unconfirmed"]:
        said.append(f"Entries still waiting to be confirmed: {counts['unconfirmed']}; see the report.")
    return said


def _held_roles(rows: Iterable[Row]) -> Iterable[tuple[str, str, str | None]]:
    """(role, person, key or None) of everybody who holds a role in these rows."""
    replaced = {row.body.get("replaces") for row in rows}
    for row in rows:
        data = row.body.get("data", {})
        if row.kind == "opened" and data.get("technician"):
            yield "technician", str(data["technician"]), None
        elif row.kind == "sign_off" and data.get("person") and row.id not in replaced:
            yield str(data.get("role")), str(data["person"]), None
        elif row.kind == admin.SIGNATURE:
            yield str(data.get("role")), str(data.get("person")), str(data.get("key"))


def has_key(rows: Iterable[Row], signer: Signer) -> bool:
    """Whether a job's rows hold this person's public key already."""
    owners = [row.body.get("data") for row in rows if row.kind == admin.KEY]
    mine = (signer.key, signer.person)
    return any(isinstance(owner, dict) and (owner.get("key"), owner.get("person")) == mine for owner in owners)


def put_key(record: Record, job: str, signer: Signer, moment: Moment) -> Row:
    """Append a person's public key to a job."""
    data = {
        "key": signer.key,
        "algorithm": "Ed25519",
        "public": base64.b64encode(signer.raw).decode(),
        "person": signer.person,
    }
    return append_admin(record, job, admin.KEY, signer.key, data, moment)


def public_key(row: Row) -> PublicKey:
    """The key that a row of kind "key" holds.

    Raises:
        UsageError: the row is none, or its id is not that of its bytes.
    """
    from pathlib import Path

    data = row.body.get("data", {})
    try:
        raw = base64.b64decode(data["public"], validate=True)
        load_public(raw)
        if data["key"] != key_id(raw) or data["algorithm"] != "Ed25519":
            raise ValueError("its id is not that of its bytes")
        return PublicKey(str(data["person"]), key_id(raw), raw, Path())
    except (KeyError, TypeError, ValueError) as error:
        raise UsageError(f"row {row.seq} (id {row.id}): the key cannot be used ({error}); sign again.") from error


def procedure_of(record: Record, rows: Sequence[Row]) -> Procedure:
    """The procedure that a job was opened with, from the record itself.

    Raises:
        UsageError: the job does not hold one.
    """
    from capture.procedure import parse_procedure

    for row in rows:
        for ref in row.media if row.kind == "opened" else ():
            if ref.kind == "procedure":
                return parse_procedure(record.read_media(ref.sha256).decode(), f"procedure of job {row.job}")
    raise UsageError("The job does not hold its procedure, so its roles are not known; it cannot be signed.")
