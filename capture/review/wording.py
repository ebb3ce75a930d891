"""How values, times and words of a record are written for a reader."""

from __future__ import annotations

import re
import unicodedata
from datetime import datetime
from typing import Any

from capture.record.times import parse_time
from capture.units import UNITS

BIDI = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Unicode's bidirectional formatting characters: they can make a text read otherwise than it is."""

MINUS = "\u2212"


def clean(text: str) -> str:
    """``text`` without bidirectional controls, and with every other control character shown as U+FFFD."""
    return "".join(_shown(mark) for mark in text if mark not in BIDI)


def _shown(mark: str) -> str:
    return "\ufffd" if unicodedata.category(mark) in {"Cc", "Cs"} and mark not in "\n\t" else mark


def plain(value: Any) -> str:
    """Any JSON value as text; nothing for null."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, list):
        return ", ".join(plain(item) for item in value)
    if isinstance(value, dict):
        return ", ".join(f"{spaced(key)} {plain(item)}" for key, item in value.items())
    return str(value)


def spaced(id_: Any) -> str:
    """An id as words: ``out_of_limits`` is "out of limits"."""
    return str(id_ or "").replace("_", " ").strip()


def titled(id_: Any) -> str:
    """An id as words that begin a line."""
    words = spaced(id_)
    return words[:1].upper() + words[1:]


def symbol(unit: Any) -> str:
    """The unit's symbol; the id itself for an unknown unit."""
    known = UNITS.get(str(unit))
    return known.symbol if known else plain(unit)


def number(value: Any) -> str:
    """A decimal string with a proper minus sign."""
    return re.sub(r"^-", MINUS, plain(value))


def quantity(value: Any, unit: Any) -> str:
    """A value with its unit's symbol, kept on one line."""
    mark = symbol(unit)
    space = "" if mark == "°" else "\u00a0"
    return f"{number(value)}{space}{mark}" if mark else number(value)


def limits(low: Any, high: Any, unit: Any) -> str:
    """Limits in words: "1.1 to 1.5 inH₂O", "at least 2 mm", "at most 3 s"."""
    if low is None and high is None:
        return "none"
    if high is None:
        return f"at least {quantity(low, unit)}"
    if low is None:
        return f"at most {quantity(high, unit)}"
    return f"{number(low)} to {quantity(high, unit)}"


def plus_minus(expanded: Any, unit: Any) -> str:
    """An expanded uncertainty: "± 0.03 mm"; nothing when it is not known."""
    return "" if expanded is None else f"±\u00a0{quantity(expanded, unit)}"


def uncertainty(expanded: Any, unit: Any) -> str:
    """An expanded uncertainty with its coverage factor: "± 0.03 mm (k = 2)"; nothing when it is not known."""
    return "" if expanded is None else f"{plus_minus(expanded, unit)} (k\u00a0=\u00a02)"


def turns(value: Any) -> str:
    """Turns as a fraction string with its noun: "1/12 turn", "2 turns"."""
    text = number(value)
    if not text:
        return "not known"
    return f"{text} turn" if "/" in text or text.lstrip(MINUS) == "1" else f"{text} turns"


def clock(at: str) -> str:
    """The time of day of an RFC 3339 time."""
    moment = _moment(at)
    return moment.strftime("%H:%M:%S") if moment else at


def day(at: str) -> str:
    """The date of an RFC 3339 time, in full."""
    moment = _moment(at)
    return f"{moment.day} {moment:%B %Y}" if moment else at


def day_and_clock(at: str) -> str:
    """Date, time of day and offset of an RFC 3339 time."""
    moment = _moment(at)
    return f"{day(at)}, {clock(at)} {_offset(moment)}" if moment else at


def offset(at: str) -> str:
    """The offset of an RFC 3339 time: "UTC+01:00"."""
    moment = _moment(at)
    return _offset(moment) if moment else ""


def count(amount: int, noun: str, nouns: str | None = None) -> str:
    """An amount with its noun: "1 row", "2 rows"."""
    return f"{amount} {noun if amount == 1 else nouns or noun + 's'}"


def size(amount: int) -> str:
    """A file's size."""
    if amount < 1000:
        return f"{amount} bytes"
    if amount < 1_000_000:
        return f"{amount / 1000:.0f} kB"
    return f"{amount / 1_000_000:.1f} MB"


def short(digest: str) -> str:
    """The first sixteen digits of a hash, in fours."""
    return "\u00a0".join(digest[at : at + 4] for at in range(0, 16, 4))


def _moment(at: str) -> datetime | None:
    try:
        return parse_time(at)
    except ValueError:
        return None


def _offset(moment: datetime) -> str:
    text = moment.strftime("%z")
    return "UTC" if text in {"+0000", "-0000"} else f"UTC{text[:3].replace('-', MINUS)}:{text[3:5]}"
