"""Entries as plain JSON and back: what the ledger hashes and stores."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any, cast, get_args

from capture.errors import IntegrityError
from capture.judge.entry import Advice, Entry, Outcome, Severity, Status, Verdict, Warned


def entry_to_body(entry: Entry) -> dict[str, Any]:
    """The entry as a JSON object with one key per field of ``Entry``.

    Decimals and fractions become strings, dates ISO 8601, tuples lists, numbers that JSON cannot hold (infinite, not a
    number) null. ``entry_from_body`` gives back an equal entry when ``data`` held plain JSON already.
    """
    return {
        "kind": entry.kind,
        "stage": entry.stage,
        "subject": entry.subject,
        "status": entry.status,
        "words": entry.words,
        "data": plain(entry.data),
        "verdict": None if entry.verdict is None else asdict(entry.verdict),
        "warnings": [asdict(warning) for warning in entry.warnings],
        "advice": None if entry.advice is None else asdict(entry.advice),
        "replaces": entry.replaces,
    }


def entry_from_body(body: Mapping[str, Any]) -> Entry:
    """The entry that ``entry_to_body`` was given; other keys of the row (media, heard) are left aside.

    Raises:
        IntegrityError: the body is not that of an entry.
    """
    try:
        return Entry(
            kind=_text(body, "kind"),
            stage=_text_or_none(body, "stage"),
            subject=_text_or_none(body, "subject"),
            status=cast(Status, _one_of(body, "status", get_args(Status))),
            words=_text(body, "words"),
            data=dict(_object(body["data"])),
            verdict=None if body["verdict"] is None else _verdict(_object(body["verdict"])),
            warnings=tuple(_warned(_object(item)) for item in body["warnings"]),
            advice=None if body["advice"] is None else _advice(_object(body["advice"])),
            replaces=_text_or_none(body, "replaces"),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise IntegrityError(
            f"A row's body is not that of an entry ({error!r}); verify the record, then read it with the version of "
            "the program that wrote it."
        ) from None


def plain(value: Any) -> Any:
    """``value`` as plain JSON data: objects with text keys, lists, text, numbers, true, false and null."""
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    if isinstance(value, date | datetime):
        return value.isoformat()
    if isinstance(value, Decimal | Fraction):
        return str(value)
    return str(value)


def _verdict(body: Mapping[str, Any]) -> Verdict:
    return Verdict(
        outcome=cast(Outcome, _one_of(body, "outcome", get_args(Outcome))),
        rule=_text(body, "rule"),
        amount=_text(body, "amount"),
        expanded=_text_or_none(body, "expanded"),
        low=_text_or_none(body, "low"),
        high=_text_or_none(body, "high"),
        unit=_text(body, "unit"),
        source=_text(body, "source"),
    )


def _warned(body: Mapping[str, Any]) -> Warned:
    severity = cast(Severity, _one_of(body, "severity", get_args(Severity)))
    return Warned(_text(body, "id"), severity, _text(body, "sentence"), _text(body, "todo"))


def _advice(body: Mapping[str, Any]) -> Advice:
    return Advice(_text(body, "sentence"), _text(body, "caution"))


def _object(value: Any) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise TypeError(f"an object is wanted, not {value!r}")
    return value


def _text(body: Mapping[str, Any], key: str) -> str:
    value = body[key]
    if not isinstance(value, str):
        raise TypeError(f"'{key}' must be text, not {value!r}")
    return value


def _text_or_none(body: Mapping[str, Any], key: str) -> str | None:
    return None if body[key] is None else _text(body, key)


def _one_of(body: Mapping[str, Any], key: str, choices: tuple[str, ...]) -> str:
    value = _text(body, key)
    if value not in choices:
        raise ValueError(f"'{key}' must be one of {', '.join(choices)}, not {value!r}")
    return value
