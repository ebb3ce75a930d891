"""Job folders: what is read, what is found, what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture.bench.plan import Overrides, load_plan
from capture.errors import UsageError


def _files(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"x")


def test_a_folder_without_job_file_is_taken_in_the_order_of_its_times(tmp_path: Path) -> None:
    _files(tmp_path, "b/20260312T090000Z.wav", "20260312T090130Z.jpg", "20260312T085900Z.flac", "readme.txt")
    plan = load_plan(tmp_path, Overrides(procedure="anything"))
    assert [item.path.name[9:13] for item in plan.items] == ["0859", "0900", "0901"]
    assert [item.kind for item in plan.items] == ["sound", "sound", "photo"]
    assert plan.technician == "not named"


def test_the_job_file_is_believed_and_options_win(tmp_path: Path) -> None:
    _files(tmp_path, "a.wav", "b.wav", "p.jpg", "s.toml", "extra.wav")
    (tmp_path / "job.toml").write_text(
        """
        procedure = "one"
        technician = "A. Person"
        [setups]
        side = "s.toml"
        [[sound]]
        file = "b.wav"
        at = 2026-03-12T09:00:00+01:00
        [[sound]]
        file = "a.wav"
        at = 2026-03-12T08:30:00Z
        [[photo]]
        file = "p.jpg"
        at = 2026-03-12T08:15:00Z
        view = "side"
        """
    )
    plan = load_plan(tmp_path, Overrides(technician="B. Other"))
    assert [item.path.name for item in plan.items] == ["b.wav", "p.jpg", "a.wav"]
    assert (plan.procedure, plan.technician) == ("one", "B. Other")
    assert plan.items[1].view == "side"
    assert plan.setups == {"side": tmp_path / "s.toml"}


def test_every_fault_is_named_at_once(tmp_path: Path) -> None:
    _files(tmp_path, "a.wav", "a.xyz")
    (tmp_path / "job.toml").write_text(
        """
        technicain = "A"
        workshop = 7
        [setups]
        side = "gone.toml"
        [[sound]]
        file = "gone.wav"
        [[sound]]
        file = "a.xyz"
        [[sound]]
        file = "a.wav"
        at = "yesterday"
        [[photo]]
        fiel = "p.jpg"
        """
    )
    with pytest.raises(UsageError) as refused:
        load_plan(tmp_path)
    text = str(refused.value)
    for fault in (
        "unknown key 'technicain'",
        "'workshop' must be text",
        "[setups] side: gone.toml is not there",
        "[[sound]] number 1: gone.wav is not there",
        "[[sound]] number 2: a.xyz has an unknown ending",
        "[[sound]] number 3: at must be a date with time",
        "[[photo]] number 1: unknown key 'fiel'",
        "no procedure",
    ):
        assert fault in text


@pytest.mark.parametrize("content", [b"procedure = ", b"\xff\xfe", b"a = 1\na = 2\n"])
def test_a_broken_job_file_says_where(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "job.toml").write_bytes(content)
    with pytest.raises(UsageError, match=r"job\.toml: not a TOML file"):
        load_plan(tmp_path)


def test_no_folder_and_no_media(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="not a folder"):
        load_plan(tmp_path / "nowhere")
    with pytest.raises(UsageError, match="no sound or picture"):
        load_plan(tmp_path, Overrides(procedure="one"))
