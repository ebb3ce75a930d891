from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import pytest

from capture.errors import IntegrityError, UsageError
from capture.record import Record, verify


def test_a_file_is_stored_once_under_its_hash(record: Record) -> None:
    content = b"\x00\x01sound"
    ref = record.put_media(content, "clip", "audio/wav")
    again = record.put_media(content, "photo", "image/png")
    assert ref.sha256 == again.sha256 == sha256(content).hexdigest()
    assert (ref.size, ref.kind, ref.media_type) == (7, "clip", "audio/wav")
    assert record.read_media(ref.sha256) == content
    assert [path.name for path in (record.folder / "media").rglob("*") if path.is_file()] == [ref.sha256]
    assert record.media_path(ref.sha256) == record.folder / "media" / ref.sha256[:2] / ref.sha256


def test_an_empty_file_can_be_stored(record: Record) -> None:
    assert record.read_media(record.put_media(b"", "clip", "audio/wav").sha256) == b""


@pytest.mark.parametrize("name", ["", "..", "a" * 63, "A" * 64, "../" + "a" * 61, "a" * 64 + "\n"])
def test_only_a_hash_names_a_file(record: Record, name: str) -> None:
    with pytest.raises(UsageError, match="64"):
        record.read_media(name)


def test_a_changed_or_missing_file_is_not_handed_out(record: Record) -> None:
    ref = record.put_media(b"sound", "clip", "audio/wav")
    record.media_path(ref.sha256).write_bytes(b"sounD")
    with pytest.raises(IntegrityError, match="not what it was"):
        record.read_media(ref.sha256)
    record.media_path(ref.sha256).unlink()
    with pytest.raises(IntegrityError, match="missing"):
        record.read_media(ref.sha256)


def test_a_damaged_file_is_set_aside_and_the_good_bytes_stored(record: Record) -> None:
    ref = record.put_media(b"sound", "clip", "audio/wav")
    path = record.media_path(ref.sha256)
    path.write_bytes(b"sounD")
    record.put_media(b"sound", "clip", "audio/wav")
    assert record.read_media(ref.sha256) == b"sound"
    aside = [other for other in path.parent.iterdir() if other != path]
    assert [other.read_bytes() for other in aside] == [b"sounD"]
    assert any("set aside" in notice.what for notice in verify(record.folder).notices)


def test_nothing_half_written_is_left_when_writing_fails(record: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(self: Path, target: Path) -> Path:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Path, "replace", fails)
    with pytest.raises(Exception, match="check the disk"):
        record.put_media(b"sound", "clip", "audio/wav")
    assert [path for path in (record.folder / "media").rglob("*") if path.is_file()] == []
