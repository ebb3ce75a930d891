"""A person's Ed25519 key (RFC 8032): the private half encrypted in a file of the person's own, the public half public.

The private key is PKCS #8 in PEM, encrypted by a passphrase; the public key stands beside it as SubjectPublicKeyInfo in
PEM (RFC 8410), with the person's name in a comment line before it. A key's id is the SHA-256 of its 32 public bytes;
compare that id by telephone or on paper before believing that a key is somebody's.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from capture.errors import UsageError
from capture.record.trouble import told_plainly

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

VARIABLE = "BENCHWITNESS_KEYS"
SHORTEST = 8
"""Fewest characters of a passphrase."""

_PERSON = "Person: "
_LARGEST = 65536


@dataclass(frozen=True)
class PublicKey:
    """A public key that lies in a folder: whose it is said to be, its id, its 32 bytes, and the private key's file."""

    person: str
    id: str
    raw: bytes
    private: Path


def keys_folder() -> Path:
    """Where this user's keys are: the environment variable BENCHWITNESS_KEYS, else the user's configuration folder."""
    import click

    given = os.environ.get(VARIABLE)
    return Path(given) if given else Path(click.get_app_dir("benchwitness")) / "keys"


def same_person(one: str, two: str | None) -> bool:
    """Whether two names are one person's: equal but for case and spaces."""
    return two is not None and " ".join(one.casefold().split()) == " ".join(two.casefold().split())


def key_id(raw: bytes) -> str:
    """The id of a public key's 32 bytes: their SHA-256 in hexadecimal."""
    return sha256(raw).hexdigest()


def new_key(folder: Path, person: str, passphrase: str) -> PublicKey:
    """Make a key pair and write both halves; nothing is overwritten.

    Args:
        folder: made when missing, readable by its owner only.
        person: the name that signatures will carry, one line.
        passphrase: at least ``SHORTEST`` characters.

    Raises:
        UsageError: a name or passphrase that will not do.
        EnvironmentFault: the folder cannot be written.
    """
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    person = " ".join(person.split())
    if not person or not person.isprintable() or len(person) > 100:
        raise UsageError("A key needs the name of a person, at most 100 characters on one line; give it with --person.")
    if len(passphrase) < SHORTEST:
        raise UsageError(f"The passphrase is too short; use {SHORTEST} characters or more, better several words.")
    private = Ed25519PrivateKey.generate()
    raw = private.public_key().public_bytes_raw()
    path = folder / f"{_slug(person)}-{key_id(raw)[:16]}.pem"
    with told_plainly(path):
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        _write(path, private_pem(private, passphrase), 0o600)
        _write(public_path(path), f"{_PERSON}{person}\n{public_pem(raw)}".encode(), 0o644)
    return PublicKey(person, key_id(raw), raw, path)


def list_keys(folder: Path) -> list[PublicKey]:
    """The keys in a folder, by person; files that are no public key are passed over."""
    found = [_read_public(path) for path in sorted(folder.glob("*.pub"))] if folder.is_dir() else []
    return sorted((key for key in found if key is not None), key=lambda key: (key.person.casefold(), key.id))


def find_key(folder: Path, person: str) -> PublicKey:
    """The one key of a person in a folder.

    Raises:
        UsageError: the person has none there, or several.
    """
    found = [key for key in list_keys(folder) if same_person(key.person, person)]
    if not found:
        raise UsageError(f"{folder}: {person} has no key here; make one with 'benchwitness key new --person NAME'.")
    if len(found) > 1:
        names = ", ".join(key.private.name for key in found)
        raise UsageError(f"{folder}: {person} has {len(found)} keys ({names}); name one with --key FILE.")
    return found[0]


def load_private(path: Path, passphrase: str) -> Ed25519PrivateKey:
    """Unlock a private key.

    Raises:
        UsageError: the file cannot be read, is no encrypted Ed25519 key, or the passphrase is wrong.
    """
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        with path.open("rb") as stream:
            key = load_pem_private_key(stream.read(_LARGEST), passphrase.encode())
    except OSError as error:
        raise UsageError(f"{path}: the key cannot be read ({error.strerror}); name another file with --key.") from error
    except TypeError as error:
        raise UsageError(f"{path}: the key is not encrypted; make one with 'benchwitness key new'.") from error
    except (ValueError, UnsupportedAlgorithm) as error:
        raise UsageError(f"{path}: the passphrase is wrong or the file is no private key; try again.") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise UsageError(f"{path}: this is no Ed25519 key; make one with 'benchwitness key new'.")
    return key


def private_pem(private: Ed25519PrivateKey, passphrase: str) -> bytes:
    """The private key as encrypted PKCS #8 in PEM."""
    from cryptography.hazmat.primitives import serialization as form

    locked = form.BestAvailableEncryption(passphrase.encode())
    return private.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, locked)


def public_pem(raw: bytes) -> str:
    """A public key's 32 bytes as SubjectPublicKeyInfo in PEM."""
    from cryptography.hazmat.primitives import serialization as form

    pem = load_public(raw).public_bytes(form.Encoding.PEM, form.PublicFormat.SubjectPublicKeyInfo)
    return pem.decode()


def load_public(raw: bytes) -> Ed25519PublicKey:
    """The public key of 32 bytes.

    Raises:
        ValueError: they are not 32 bytes.
    """
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    return Ed25519PublicKey.from_public_bytes(raw)


def public_path(private: Path) -> Path:
    """Where the public half of a private key's file lies."""
    return private.with_suffix(".pub")


def _read_public(path: Path) -> PublicKey | None:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        with path.open("rb") as stream:
            first, _, pem = stream.read(_LARGEST).partition(b"\n")
        person = first.decode().removeprefix(_PERSON).strip()
        key = load_pem_public_key(pem)
    except (OSError, ValueError, UnsupportedAlgorithm):
        return None
    if not isinstance(key, Ed25519PublicKey):
        return None
    raw = key.public_bytes_raw()
    return PublicKey(person, key_id(raw), raw, path.with_suffix(".pem"))


def _slug(person: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", person.casefold()).strip("-")[:40] or "key"


def _write(path: Path, content: bytes, mode: int) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(handle, "wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())


def readable(key: str) -> str:
    """A key's id in groups of four digits, as it is compared aloud."""
    return " ".join(key[start : start + 4] for start in range(0, len(key), 4))
