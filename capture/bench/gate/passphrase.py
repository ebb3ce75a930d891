"""Passphrases are kept as scrypt hashes (RFC 7914), each with its own salt and its cost written beside it."""

from __future__ import annotations

import hashlib
import secrets
from base64 import b64decode, b64encode
from hmac import compare_digest

from capture.errors import UsageError

SHORTEST = 12
LONGEST = 200
_LOG2_N, _R, _P = 15, 8, 3
"""32 MiB and three passes, about a third of a second on a bench's machine; the cost is common practice, no source."""
_MEMORY = 1 << 28


def check_new(passphrase: str, person: str) -> None:
    """Refuse a passphrase that will not do.

    Raises:
        UsageError: it is too short, too long, one mark repeated, or little more than the person's name.
    """
    if len(passphrase) < SHORTEST:
        raise UsageError(f"The passphrase is too short; use {SHORTEST} characters or more, best four or five words.")
    if len(passphrase) > LONGEST:
        raise UsageError(f"The passphrase is longer than {LONGEST} characters; shorten it.")
    left = passphrase.casefold()
    for word in person.casefold().split():
        left = left.replace(word, "")
    if len(set(left)) < 5:
        raise UsageError(
            "The passphrase is too easy to guess; use four or five words that have nothing to do with you."
        )


def hashed(passphrase: str) -> str:
    """The line to keep: ``scrypt$log2(N)$r$p$salt$hash``."""
    salt = secrets.token_bytes(16)
    return _line(salt, _scrypt(passphrase, salt, _LOG2_N, _R, _P))


def fits(passphrase: str, kept: str | None) -> bool:
    """Whether this is the passphrase. It takes the same time when there is none, so that time tells nobody's name."""
    try:
        kind, log2_n, r, p, salt, made = (kept or _line(bytes(16), bytes(32))).split("$")
        known = b64decode(made, validate=True)
        given = _scrypt(passphrase[: LONGEST + 1], b64decode(salt, validate=True), int(log2_n), int(r), int(p))
    except ValueError:
        return False
    return compare_digest(given, known) and kept is not None and kind == "scrypt"


def _line(salt: bytes, made: bytes) -> str:
    return "$".join(["scrypt", str(_LOG2_N), str(_R), str(_P), b64encode(salt).decode(), b64encode(made).decode()])


def _scrypt(passphrase: str, salt: bytes, log2_n: int, r: int, p: int) -> bytes:
    data = passphrase.encode("utf-8", "surrogatepass")
    return hashlib.scrypt(data, salt=salt, n=1 << log2_n, r=r, p=p, maxmem=_MEMORY, dklen=32)
