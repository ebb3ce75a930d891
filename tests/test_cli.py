"""The command line as a whole: it answers quickly, lists what there is, and leaves with the right code."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from pathlib import Path

import click
import pytest

from capture.cli import COMMANDS, main

HEAVY = ("numpy", "cv2", "vosk", "sqlite_utils", "PIL", "jinja2", "soundfile", "sqlite3")


def _modules_after(*arguments: str) -> set[str]:
    code = (
        "import sys\nfrom capture.cli import main\n"
        f"try:\n    main({list(arguments)!r})\nexcept SystemExit:\n    pass\n"
        "print(*sys.modules, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


@pytest.mark.parametrize("arguments", [("--help",), ("--version",), *[(name, "--help") for name in COMMANDS]])
def test_help_pays_for_no_heavy_library(arguments: tuple[str, ...]) -> None:
    assert not _modules_after(*arguments).intersection(HEAVY)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_says_what_it_does(name: str) -> None:
    command = import_module(f"capture.commands.{COMMANDS[name][0]}").command
    assert isinstance(command, click.Command)
    assert command.help
    options = [option for option in command.params if isinstance(option, click.Option)]
    assert all(option.help for option in options)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_documented(name: str) -> None:
    readme = (Path(__file__).parent.parent / "README.md").read_text("utf-8")
    assert f"`benchwitness {name}" in readme


@pytest.mark.parametrize(
    ("arguments", "code"), [(["--version"], 0), (["nonsense"], 2), (["run"], 2), (["run", "/nowhere"], 2)]
)
def test_exit_codes(arguments: list[str], code: int, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == code
    out = capsys.readouterr()
    assert (out.out == "") == (code != 0)
    assert "Traceback" not in out.err
