"""The command line: a table of commands, each loaded only when it is called.

Exit codes: 0 done, 1 done with warnings, 2 usage, 3 integrity, 4 cannot measure or recognise, 5 environment.
Data go to standard output, messages to standard error.
"""

from __future__ import annotations

import sys
from importlib import import_module

import click

from capture import __version__

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "Run a whole job from the demonstration's sound and photographs."),
    "run": ("run", "Make a job record from a folder of sound and photographs."),
    "bench": ("bench", "Run a job live: listen, read back, show it on a page of this machine."),
    "people": ("people", "Say who may log in to the bench from the network."),
    "review": ("review", "Hear, see and decide on what the bench recorded, on pages of this machine."),
    "jobs": ("jobs", "List the jobs of a record."),
    "report": ("report", "Write one job's report as a single HTML file."),
    "certificate": ("certificate", "Write what the owner of a unit is given, as PDF or HTML."),
    "verify": ("verify", "Recompute the whole record and name every fault."),
    "hear": ("hear", "Show what is heard in sound files."),
    "say": ("say", "Show what typed words would be understood as."),
    "measure": ("measure", "Measure a lever tip's height above the rim on a photograph."),
    "calibrate": ("calibrate", "Calibrate a camera from photographs of a printed board."),
    "target": ("target", "Draw a printable target at true scale."),
    "procedure": ("procedure", "List, check and explain procedure files."),
    "key": ("key", "Make and list the keys that persons sign with."),
    "sign": ("sign", "Sign a job, or show who signed it."),
    "find": ("find", "Find parts, gauges, units, drift and corrections across all jobs."),
    "export": ("export", "Write jobs into a bag that proves itself elsewhere."),
    "import": ("import_", "Take the jobs of a bag or of another record into this one."),
    "purge": ("purge", "Remove old sound on purpose; what was heard stays."),
    "backup": ("backup", "Copy the record while it is in use, and verify the copy."),
}
"""Name on the command line: (module in ``capture.commands``, one line of help)."""


class _LazyCommands(click.Group):
    """Lists its commands from the table and imports one only to run it."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = import_module(f"capture.commands.{COMMANDS[cmd_name][0]}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


@click.command(cls=_LazyCommands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="benchwitness")
def group() -> None:
    """Job records of demand-valve service, made from spoken readings and measured photographs.

    The tool records, checks and warns. It does not replace the maker's manual, local rules or a qualified person.
    """


def main(argv: list[str] | None = None) -> None:
    """Run the command line; every expected error becomes one message and its exit code.

    Args:
        argv: the arguments after the program's name; the process's own when None.
    """
    try:
        code = group.main(argv, prog_name="benchwitness", standalone_mode=False)
    except click.exceptions.Abort:
        _leave("stopped by the user", 130)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except Exception as error:
        code_of = getattr(error, "exit_code", None)
        if code_of is None:
            raise
        _leave(str(error), int(code_of))
    sys.exit(code if isinstance(code, int) else 0)


def _leave(sentence: str, code: int) -> None:
    click.echo(f"benchwitness: {sentence}", err=True)
    sys.exit(code)
