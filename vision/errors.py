"""What can go wrong before a picture is measured.

::

    VisionError             exit code 4
    ├── PhotoError          a file is no photograph that can be read
    ├── SetupError          a setup file is wrong; says every fault at once
    ├── PointsError         points set by a person are none
    └── CalibrationError    the pictures given do not calibrate a camera

A picture that can be read but not measured is no error: :func:`vision.measure` answers with a ``Refusal``.
"""

from __future__ import annotations


class VisionError(Exception):
    """Root of this package's errors. The message says what, where and what to do."""

    exit_code = 4


class PhotoError(VisionError):
    """The file cannot be read as a photograph."""


class SetupError(VisionError):
    """The setup is incomplete or contradicts itself.

    Args:
        where: the file, or what stands for it.
        faults: every fault found, one sentence each.
    """

    exit_code = 2

    def __init__(self, where: str, faults: list[str]) -> None:
        self.faults = tuple(faults)
        super().__init__(f"{where}: " + "; ".join(faults))


class PointsError(VisionError):
    """Points set by a person cannot be used."""

    exit_code = 2


class CalibrationError(VisionError):
    """The pictures do not carry a calibration."""
