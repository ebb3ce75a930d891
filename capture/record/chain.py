"""How rows are chained, so that anyone can recompute it.

A row's hash is the SHA-256, in lower-case hexadecimal, of the canonical JSON (RFC 8785, UTF-8) of the object::

    {"at": …, "body": SHA-256 of the stored body text, "id": …, "job": …, "kind": …,
     "mono": …, "prev": the hash of the row before, "seq": …, "session": …}

The stored body text is itself canonical JSON. The first row's ``prev`` is ``GENESIS``.
"""

from __future__ import annotations

import json
from hashlib import sha256
from typing import Any

import rfc8785

GENESIS_TEXT = "benchwitness record, format 1"
GENESIS = sha256(GENESIS_TEXT.encode()).hexdigest()
"""``prev`` of row 1: the SHA-256 of ``GENESIS_TEXT``."""

_EXACT = 2**53 - 1
_SORTED = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), sort_keys=True)
_PLAIN = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"))


def canonical(value: Any) -> str:
    """``value`` as canonical JSON text.

    Raises:
        ValueError: a part of it has no canonical JSON form (not a number, infinity, an integer beyond 2**53,
            a key that is not text, an object that is not JSON); the message names it.
    """
    return rfc8785.dumps(value).decode()


def load(text: str) -> Any:
    """Read JSON back, so that ``canonical(load(canonical(x))) == canonical(x)`` for every x.

    RFC 8785 writes the number 1e20 without an exponent; as JSON's numbers are doubles, an integer beyond 2**53
    becomes a float again.

    Raises:
        ValueError: ``text`` is not JSON.
    """
    return json.loads(text, parse_int=_whole)


def _whole(digits: str) -> int | float:
    number = int(digits)
    return number if abs(number) <= _EXACT else float(digits)


def load_canonical(text: str) -> tuple[Any, bool]:
    """Read JSON as ``load`` does, and say whether ``text`` is canonical.

    Most text is checked by the standard library's writer, which is many times faster than the canonical one: the two
    differ in numbers, which are looked at one by one here, and in the order of keys beyond U+FFFF.

    Raises:
        ValueError: ``text`` is not JSON.
    """
    odd: list[str] = []

    def number(digits: str) -> float:
        value = float(digits)
        if "e" in digits or digits.endswith(".0") or repr(value) != digits:
            odd.append(digits)
        return value

    def whole(digits: str) -> int | float:
        value = _whole(digits)
        if str(value) != digits:
            odd.append(digits)
        return value

    def constant(name: str) -> float:
        raise ValueError(f"{name} is no JSON")

    value = json.loads(text, parse_float=number, parse_int=whole, parse_constant=constant)
    if odd or not (text.isascii() or max(text) <= "\uffff"):
        return value, canonical(value) == text
    return value, _SORTED.encode(value) == text


def row_hash(
    *, seq: int, id_: str, job: str, kind: str, at: str, mono: float, session: str, body: str, prev: str
) -> str:
    """The hash of a row; ``body`` is its stored text.

    Raises:
        ValueError: ``mono`` is not a finite number.
    """
    envelope: dict[str, str | int | float] = {
        "at": at,
        "body": sha256(body.encode()).hexdigest(),
        "id": id_,
        "job": job,
        "kind": kind,
        "mono": mono,
        "prev": prev,
        "seq": seq,
        "session": session,
    }
    return sha256(_envelope(envelope)).hexdigest()


def _envelope(envelope: dict[str, str | int | float]) -> bytes:
    """The canonical JSON of a flat object with ASCII keys in their order.

    The standard library's writer, many times faster, writes the same but for numbers; of those it is given none that
    the two write differently (RFC 8785, section 3.2.2.3: no exponent from 1e-6 to 1e21, no fraction of whole numbers).
    """
    mono = envelope["mono"]
    if not isinstance(mono, float) or not (mono == 0 or 1e-4 <= mono < 1e15):
        return rfc8785.dumps(envelope)
    if mono.is_integer():
        envelope["mono"] = int(mono)
    return _PLAIN.encode(envelope).encode()
