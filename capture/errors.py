"""Everything that ``capture`` raises on purpose.

::

    CaptureError                    exit code
    ├── UsageError                  2   the call or a file given to it is wrong
    │   └── ProcedureError          2   a procedure file has faults (all of them listed)
    ├── IntegrityError              3   the record does not prove itself
    ├── RecognitionError            4   sound that cannot be heard or understood
    │   └── AudioError              4   not a sound file that can be read
    └── EnvironmentFault            5   something outside is missing: model, disk, program
        └── ModelError              5   the recogniser's model directory cannot be used

Every message says what is wrong, where, and what to do.
"""

from __future__ import annotations

from collections.abc import Sequence


class CaptureError(Exception):
    """Root of all errors of this package; ``exit_code`` is what the command line leaves with."""

    exit_code = 2


class UsageError(CaptureError):
    """The call, or a file named in it, is wrong."""


class ProcedureError(UsageError):
    """A procedure file is refused; ``faults`` lists everything that is wrong with it."""

    def __init__(self, where: str, faults: Sequence[str]) -> None:
        self.where = where
        self.faults = tuple(faults)
        count = "1 fault" if len(self.faults) == 1 else f"{len(self.faults)} faults"
        super().__init__(f"{where}: {count}; correct the file:\n" + "\n".join(f"  {f}" for f in self.faults))


class IntegrityError(CaptureError):
    """The record does not prove itself: a row or a medium is not what it was."""

    exit_code = 3


class RecognitionError(CaptureError):
    """Sound that cannot be heard or understood."""

    exit_code = 4


class AudioError(RecognitionError):
    """A file or stream that is not sound this program can read."""


class EnvironmentFault(CaptureError):
    """Something outside the program is missing or broken: a model, a disk, a tool."""

    exit_code = 5


class ModelError(EnvironmentFault):
    """The recogniser's model directory cannot be used."""
