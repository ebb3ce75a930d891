"""The keys that a procedure file may have, as tables, and a checker that knows nothing but them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import Any

from capture.procedure.lines import Path

Report = Callable[[Path, str], None]
"""Takes one fault: where it is, and a sentence saying what is wrong and what to do."""


@dataclass(frozen=True)
class Key:
    """A key of a table: ``kind`` names how its value is read (see ``READERS``)."""

    kind: str
    required: bool = True
    default: Any = None


Table = Mapping[str, Key]
_TEXT, _ID, _SPOKEN = Key("text"), Key("id"), Key("phrases")
_REF, _AMOUNT = Key("id"), Key("amount")
_OPEN_AMOUNT = Key("amount", required=False)
_SOURCE = Key("text", required=False)

PROCEDURE: Table = {
    "id": _ID,
    "name": _TEXT,
    "version": _TEXT,
    "source": _TEXT,
    "cautions": Key("texts"),
    "interval_months": Key("count", required=False),
    "wake": Key("phrases", required=False, default=()),
}
IDENTITY: Table = {"id": _ID, "name": _TEXT, "spoken": _SPOKEN, "pattern": Key("text", required=False)}
INSTRUMENT: Table = {
    "id": _ID,
    "name": _TEXT,
    "spoken": _SPOKEN,
    "quantity": _REF,
    "unit": _TEXT,
    "resolution": _OPEN_AMOUNT,
    "standard_uncertainty": _OPEN_AMOUNT,
    "serial_required": Key("flag", required=False, default=True),
    "due_required": Key("flag", required=False, default=True),
}
LIMIT: Table = {"stage": _REF, "low": _OPEN_AMOUNT, "high": _OPEN_AMOUNT, "source": _SOURCE}
CHANGE: Table = {
    "from": _REF,
    "to": _REF,
    "low": _OPEN_AMOUNT,
    "high": _OPEN_AMOUNT,
    "source": _SOURCE,
    "repeat": Key("flag", required=False, default=False),
}
RATE: Table = {"counter": _REF, "per": Key("turns"), "low": _AMOUNT, "high": _AMOUNT, "source": _SOURCE}
READING: Table = {
    "id": _ID,
    "name": _TEXT,
    "spoken": _SPOKEN,
    "quantity": _REF,
    "units": Key("texts"),
    "plausible_low": _AMOUNT,
    "plausible_high": _AMOUNT,
    "decimals": Key("count"),
    "instrument": Key("id", required=False),
    "rule": Key("rule", required=False, default="guard_band"),
    "limit": Key("tables:limit", required=False, default=()),
    "change": Key("tables:change", required=False, default=()),
    "rate": Key("tables:rate", required=False, default=()),
}
DIRECTION: Table = {"spoken": _SPOKEN, "sign": Key("sign")}
UNLOCK: Table = {"reading": _REF, "below": _OPEN_AMOUNT, "above": _OPEN_AMOUNT}
BUDGET: Table = {
    "stage": _REF,
    "turns": Key("turns"),
    "moves": Key("count", required=False),
    "unlock": Key("table:unlock", required=False),
    "source": _SOURCE,
}
COUNTER: Table = {
    "id": _ID,
    "name": _TEXT,
    "spoken": _SPOKEN,
    "smallest_step": Key("turns"),
    "direction": Key("tables:direction"),
    "budget": Key("tables:budget", required=False, default=()),
}
ANSWER: Table = {"id": _ID, "spoken": _SPOKEN}
CHECK: Table = {
    "id": _ID,
    "name": _TEXT,
    "spoken": _SPOKEN,
    "good": Key("ids", required=False, default=()),
    "answer": Key("tables:answer"),
}
PART: Table = {
    "id": _ID,
    "name": _TEXT,
    "spoken": _SPOKEN,
    "quantity": Key("count", required=False, default=1),
    "replaces_old": Key("flag", required=False, default=True),
    "lot_required": Key("flag", required=False, default=True),
}
PHOTO: Table = {
    "id": _ID,
    "name": _TEXT,
    "spoken": _SPOKEN,
    "measures": Key("measured", required=False),
    "reading": Key("id", required=False),
    "rim_diameter_mm": _OPEN_AMOUNT,
}
STAGE: Table = {"id": _ID, "name": _TEXT, "spoken": _SPOKEN, "needs": Key("texts", required=False, default=())}
ORDER: Table = {"first": _TEXT, "then": _TEXT, "sentence": _TEXT}
ROLE: Table = {
    "id": _ID,
    "name": _TEXT,
    "spoken": _SPOKEN,
    "differs_from": Key("ids", required=False, default=()),
}
ROOT: Table = {
    "procedure": Key("table:procedure"),
    "identity": Key("tables:identity"),
    "instrument": Key("tables:instrument", required=False, default=()),
    "stage": Key("tables:stage"),
    "reading": Key("tables:reading", required=False, default=()),
    "counter": Key("tables:counter", required=False, default=()),
    "check": Key("tables:check", required=False, default=()),
    "part": Key("tables:part", required=False, default=()),
    "photo": Key("tables:photo", required=False, default=()),
    "order": Key("tables:order", required=False, default=()),
    "role": Key("tables:role", required=False, default=()),
    "pronunciations": Key("pronunciations", required=False, default={}),
}
TABLES: Mapping[str, Table] = {
    "procedure": PROCEDURE,
    "identity": IDENTITY,
    "instrument": INSTRUMENT,
    "stage": STAGE,
    "reading": READING,
    "limit": LIMIT,
    "change": CHANGE,
    "rate": RATE,
    "counter": COUNTER,
    "direction": DIRECTION,
    "budget": BUDGET,
    "unlock": UNLOCK,
    "check": CHECK,
    "answer": ANSWER,
    "part": PART,
    "photo": PHOTO,
    "order": ORDER,
    "role": ROLE,
}
NEED_KINDS = ("identity", "instrument", "reading", "turn", "check", "part", "photo")
RULES = ("guard_band", "simple")


class Unreadable(ValueError):
    """A value is not of its kind; the message is the rest of 'KEY must be ...'."""


def checked(data: Mapping[str, Any], table: Table, path: Path, report: Report) -> dict[str, Any]:
    """``data`` with every key of ``table`` present and every value read; faults go to ``report``.

    A value that is wrong or missing becomes None, so that later checks can go on and find more.
    """
    for key in data:
        if key not in table:
            report((*path, key), f"'{key}' is not a key here; use {', '.join(table)}.")
    result: dict[str, Any] = {}
    for key, spec in table.items():
        if key not in data:
            result[key] = () if spec.kind.startswith("tables:") else spec.default
            if spec.required:
                report(path, f"the key '{key}' is missing; add it.")
            continue
        result[key] = _read(data[key], spec, (*path, key), report)
    return result


def _read(value: Any, spec: Key, path: Path, report: Report) -> Any:
    kind, _, name = spec.kind.partition(":")
    if kind == "tables":
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value) or not value:
            report(path, f"'{path[-1]}' must be one or more tables; write [[...]] headers.")
            return ()
        return tuple(checked(item, TABLES[name], (*path, i), report) for i, item in enumerate(value))
    if kind == "table":
        if not isinstance(value, dict):
            report(path, f"'{path[-1]}' must be a table.")
            return None
        return checked(value, TABLES[name], path, report)
    try:
        return READERS[kind](value)
    except Unreadable as fault:
        report(path, f"'{path[-1]}' must be {fault}.")
        return spec.default


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise Unreadable("a text that is not empty, in quotes")
    return value


def _texts(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not value or not all(isinstance(v, str) and v.strip() for v in value):
        raise Unreadable("a list of one or more texts")
    return tuple(value)


def _is_id(value: Any) -> bool:
    return isinstance(value, str) and value.isascii() and value.isidentifier() and value == value.lower()


def _id(value: Any) -> str:
    if not _is_id(value):
        raise Unreadable("an id: lower-case letters, digits and underscores, beginning with a letter")
    return str(value)


def _ids(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(_is_id(v) for v in value):
        raise Unreadable("a list of ids (lower-case letters, digits and underscores)")
    return tuple(value)


def _phrases(value: Any) -> tuple[str, ...]:
    texts = _texts(value)
    for text in texts:
        if text != " ".join(text.split()) or not all(_is_word(word) for word in text.split(" ")):
            raise Unreadable(
                f"a list of phrases of lower-case words with single spaces, numbers written as words; '{text}' is not"
            )
    return texts


def _is_word(word: str) -> bool:
    letters = word.replace("'", "").replace("-", "")
    return letters.isascii() and letters.isalpha() and letters == letters.lower() and word[0] not in "'-"


def _amount(value: Any) -> Decimal:
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not Decimal(value).is_finite():
        raise Unreadable("a number")
    return Decimal(value)


def _count(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise Unreadable("a whole number, 0 or more")
    return value


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise Unreadable("true or false")
    return value


def _sign(value: Any) -> int:
    if isinstance(value, bool) or value not in (1, -1):
        raise Unreadable("1 or -1")
    return int(value)


def _turns(value: Any) -> Fraction:
    try:
        turns = Fraction(value) if isinstance(value, str | int) and not isinstance(value, bool) else Fraction(0)
    except (ValueError, ZeroDivisionError, InvalidOperation):
        turns = Fraction(0)
    if turns <= 0:
        raise Unreadable('turns above zero as a fraction in quotes, such as "1/12"')
    return turns


def _rule(value: Any) -> str:
    if value not in RULES:
        raise Unreadable(f"one of {', '.join(RULES)}")
    return str(value)


def _measured(value: Any) -> str:
    if value != "tip_height":
        raise Unreadable('"tip_height", or left out for a picture that is only kept')
    return str(value)


def _pronunciations(value: Any) -> dict[str, tuple[str, ...]]:
    if not isinstance(value, dict):
        raise Unreadable('a table: word = ["ARPABET PHONES"]')
    result = {}
    for word, ways in value.items():
        if not _is_word(word) or not isinstance(ways, list) or not ways or not all(_is_arpabet(w) for w in ways):
            raise Unreadable(
                f"a table: lower-case word = one or more ARPAbet transcriptions such as \"B AO1 R\"; '{word}' is not"
            )
        result[word] = tuple(ways)
    return result


_VOWELS = ("AA", "AE", "AH", "AO", "AW", "AY", "EH", "ER", "EY", "IH", "IY", "OW", "OY", "UH", "UW")
_CONSONANTS = ("B", "CH", "D", "DH", "F", "G", "HH", "JH", "K", "L", "M", "N", "NG", "P", "R", "S", "SH", "T", "TH",
               "V", "W", "Y", "Z", "ZH")  # fmt: skip
ARPABET = frozenset(_VOWELS + _CONSONANTS)
"""The 39 phones of the CMU pronouncing dictionary; vowels may carry a stress digit."""


def _is_arpabet(value: Any) -> bool:
    return isinstance(value, str) and bool(value) and all(p.rstrip("012") in ARPABET for p in value.split(" "))


READERS: Mapping[str, Callable[[Any], Any]] = {
    "text": _text,
    "texts": _texts,
    "id": _id,
    "ids": _ids,
    "phrases": _phrases,
    "amount": _amount,
    "count": _count,
    "flag": _flag,
    "sign": _sign,
    "turns": _turns,
    "rule": _rule,
    "measured": _measured,
    "pronunciations": _pronunciations,
}
