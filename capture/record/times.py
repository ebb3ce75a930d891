"""Times as RFC 3339 writes them, always with the local offset."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

_RFC3339 = re.compile(
    r"(\d{4}-\d{2}-\d{2})[Tt ](\d{2}:\d{2}:)(\d{2})(\.\d+)?([Zz]|[+-](?:[01]\d|2[0-3]):[0-5]\d)", re.ASCII
)


def format_time(moment: datetime) -> str:
    """Write an aware datetime as RFC 3339 with milliseconds and its own offset.

    An offset that is not whole minutes, which RFC 3339 cannot write, becomes UTC.

    Raises:
        ValueError: ``moment`` has no offset.
    """
    offset = moment.utcoffset()
    if offset is None:
        raise ValueError(f"The time {moment.isoformat()} has no offset from UTC; hand in an aware datetime.")
    if offset % timedelta(minutes=1):
        moment = moment.astimezone(UTC)
    return moment.isoformat(timespec="milliseconds")


def parse_time(text: str) -> datetime:
    """Read an RFC 3339 ``date-time`` (section 5.6).

    Digits beyond microseconds are cut. A leap second (second 60) is read as the moment after second 59.

    Raises:
        ValueError: ``text`` is not one, or has no offset.
    """
    found = _RFC3339.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is not an RFC 3339 time with an offset, like 2026-03-04T09:15:00.000+01:00.")
    day, clock, second, fraction, offset = found.groups()
    leap = second == "60"
    micro = (fraction or ".0")[1:7].ljust(6, "0")
    moment = datetime.fromisoformat(f"{day}T{clock}{'59' if leap else second}.{micro}{offset.upper()}")
    return moment + timedelta(seconds=1) if leap else moment
