"""How rows are chained, so that anyone can recompute it.

A row's hash is the SHA-256, in lower-case hexadecimal, of the canonical JSON (RFC 8785, UTF-8) of the object::

    {"at": …, "body": SHA-256 of the stored body text, "id": …, "job": …, "kind": …,
     "mono": …, "prev": the hash of the row before, "seq": …, "session": …}

The stored body text is itself canonical JSON. The first row's ``prev`` is ``GENESIS``.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from hashlib import sha256
from json.encoder import encode_basestring as _quoted
from typing import Any

import orjson
import rfc8785

GENESIS_TEXT = "benchwitness record, format 1"
GENESIS = sha256(GENESIS_TEXT.encode()).hexdigest()
"""``prev`` of row 1: the SHA-256 of ``GENESIS_TEXT``."""

_EXACT = 2**53 - 1


class _OddNumberError(Exception):
    """A number that RFC 8785 may write in another way than Python does, or than it stands there."""


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
    return _LOADER.decode(text)


def load_canonical(text: str) -> tuple[Any, bool]:
    """Read JSON as ``load`` does, and say whether ``text`` is canonical.

    Most text is written again by orjson, which is many times faster than the canonical writer. The two differ in
    numbers, which are looked at one by one as they are read, and in the order of keys beyond U+FFFF; where either may
    play a part, and wherever orjson writes something else than ``text``, the canonical writer has the last word.

    Raises:
        ValueError: ``text`` is not JSON, or holds something that has no canonical form.
    """
    try:
        value = _STRICT.decode(text)
        if (text.isascii() or max(text) <= "\uffff") and orjson.dumps(value, option=_SORT) == text.encode():
            return value, True
    except (_OddNumberError, orjson.JSONEncodeError):
        value = _LOADER.decode(text)
    return value, canonical(value) == text


def row_hash(
    *, seq: int, id_: str, job: str, kind: str, at: str, mono: float, session: str, body: str, prev: str
) -> str:
    """The hash of a row; ``body`` is its stored text.

    The envelope is written here as RFC 8785 asks: its nine names in their order, texts quoted by the standard library,
    which escapes what section 3.2.2.2 escapes and nothing else, and ``mono`` by ``_number``.

    Raises:
        ValueError: ``mono`` is not a finite number.
    """
    envelope = (
        f'{{"at":{_quoted(at)},"body":"{sha256(body.encode()).hexdigest()}","id":{_quoted(id_)},"job":{_quoted(job)},'
        f'"kind":{_quoted(kind)},"mono":{_number(mono)},"prev":{_quoted(prev)},"seq":{seq},'
        f'"session":{_quoted(session)}}}'
    )
    return sha256(envelope.encode()).hexdigest()


def list_hash(hashes: Iterable[str]) -> str:
    """The SHA-256 of the canonical JSON list of row hashes."""
    return sha256(f"[{','.join(map(_quoted, hashes))}]".encode()).hexdigest()


def _number(value: float) -> str:
    """A number as RFC 8785, section 3.2.2.3, writes it; where Python writes the same, by Python.

    From 1e-4 to 1e15 both write the shortest digits that give the double, without an exponent; only for whole numbers
    Python adds a fraction.
    """
    if not (value == 0 or 1e-4 <= value < 1e15):
        return canonical(value)
    return repr(int(value)) if value == int(value) else repr(value)


def _whole(digits: str) -> int | float:
    number = int(digits)
    return number if abs(number) <= _EXACT else float(digits)


def _plain_whole(digits: str) -> int:
    number = int(digits)
    if abs(number) > _EXACT or repr(number) != digits:
        raise _OddNumberError
    return number


def _plain_fraction(digits: str) -> float:
    number = float(digits)
    if "e" in digits or digits.endswith(".0") or repr(number) != digits:
        raise _OddNumberError
    return number


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no JSON")


_LOADER = json.JSONDecoder(parse_int=_whole)
_STRICT = json.JSONDecoder(parse_int=_plain_whole, parse_float=_plain_fraction, parse_constant=_no_constant)
_SORT = orjson.OPT_SORT_KEYS
