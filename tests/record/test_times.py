from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from capture.record.times import format_time, parse_time

# RFC 3339 section 5.8 (from memory of it), its examples and what the text there says they are.
RFC_3339_5_8 = [
    ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520000, UTC)),
    ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
    ("1990-12-31T23:59:60Z", datetime(1991, 1, 1, 0, 0, 0, tzinfo=UTC)),
    ("1990-12-31T15:59:60-08:00", datetime(1991, 1, 1, 0, 0, 0, tzinfo=UTC)),
    ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870000, UTC)),
]


@pytest.mark.parametrize(("text", "moment"), RFC_3339_5_8)
def test_reads_the_examples_of_rfc_3339(text: str, moment: datetime) -> None:
    assert parse_time(text) == moment


@pytest.mark.parametrize(
    "text",
    [
        "1985-04-12T23:20:50.52",
        "1985-04-12",
        "1985-04-12T23:20Z",
        "1985-04-12T23:20:50+0100",
        "1985-04-12T23:20:50+24:00",
        "1985-13-12T23:20:50Z",
        "1985-04-12T23:20:61Z",
        "1985-04-12T24:20:50Z",
        "١٩٨٥-04-12T23:20:50Z",
        " 1985-04-12T23:20:50Z",
        "",
    ],
)
def test_refuses_what_is_no_rfc_3339_time(text: str) -> None:
    with pytest.raises(ValueError):
        parse_time(text)


def test_lower_case_and_a_space_are_allowed_by_section_5_6() -> None:
    assert parse_time("1985-04-12t23:20:50z") == parse_time("1985-04-12 23:20:50+00:00")


def test_writes_the_local_offset_and_comes_back() -> None:
    moment = datetime(2031, 5, 6, 9, 15, 0, 123000, timezone(-timedelta(hours=3, minutes=30)))
    assert format_time(moment) == "2031-05-06T09:15:00.123-03:30"
    assert parse_time(format_time(moment)) == moment


def test_an_offset_with_seconds_is_written_as_utc() -> None:
    odd = timezone(timedelta(minutes=19, seconds=32))
    assert format_time(datetime(1937, 1, 1, 12, 0, 0, tzinfo=odd)) == "1937-01-01T11:40:28.000+00:00"


def test_a_time_without_offset_is_refused() -> None:
    with pytest.raises(ValueError, match="offset"):
        format_time(datetime(2031, 5, 6))
