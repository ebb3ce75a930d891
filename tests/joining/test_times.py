"""Capture times from names, cameras and file dates."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta, timezone
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from capture.bench.times import capture_time, from_name, from_picture

MOMENTS = st.datetimes(
    min_value=datetime(1980, 1, 2),
    max_value=datetime(2199, 12, 30),
    timezones=st.sampled_from([UTC, timezone(timedelta(hours=5, minutes=30)), timezone(-timedelta(hours=9))]),
)


@given(MOMENTS, st.booleans(), st.sampled_from(["side", "01 take", "x-9"]))
def test_iso_8601_names_come_back(moment: datetime, basic: bool, label: str) -> None:
    moment = moment.replace(microsecond=0)
    stamp = moment.strftime("%Y%m%dT%H%M%S%z") if basic else moment.isoformat().replace(":", "-", 2)
    assert from_name(f"{stamp} {label}.wav") == moment


@pytest.mark.parametrize("name", ["take-7.wav", "IMG_0042.jpg", "20261345T990000.wav", "123456789012345.jpg"])
def test_names_without_a_time_have_none(name: str) -> None:
    assert from_name(name) is None


def _picture(stamp: str | None, offset: str | None) -> bytes:
    exif = Image.Exif()
    if stamp is not None:
        exif.get_ifd(0x8769)[36867] = stamp
    if offset is not None:
        exif.get_ifd(0x8769)[36881] = offset
    out = BytesIO()
    Image.new("RGB", (8, 8)).save(out, "JPEG", exif=exif)
    return out.getvalue()


def test_camera_time_with_its_offset() -> None:
    # EXIF 2.32 (CIPA DC-008): DateTimeOriginal "YYYY:MM:DD HH:MM:SS", OffsetTimeOriginal "+hh:mm"
    taken = from_picture(_picture("2026:03:12 09:04:10", "+01:00"))
    assert taken == datetime(2026, 3, 12, 8, 4, 10, tzinfo=UTC)


@pytest.mark.parametrize("data", [b"", b"not a picture", _picture(None, None), _picture("    :  :     :  :  ", None)])
def test_pictures_without_a_time_have_none(data: bytes) -> None:
    assert from_picture(data) is None


def test_order_of_trust(tmp_path: Path) -> None:
    path = tmp_path / "20260312T100000+0000.jpg"
    path.write_bytes(_picture("2026:03:12 11:00:00", "+00:00"))
    said = datetime(2026, 3, 12, 12, tzinfo=UTC)
    assert capture_time(path, said).at == said
    assert capture_time(path).source == "file name"
    bare = path.rename(tmp_path / "bare.jpg")
    assert capture_time(bare).at == datetime(2026, 3, 12, 11, tzinfo=UTC)
    bare.write_bytes(_picture(None, None))
    os.utime(bare, (1_700_000_000, 1_700_000_000))
    found = capture_time(bare)
    assert (found.source, found.at.timestamp()) == ("file date", 1_700_000_000)
