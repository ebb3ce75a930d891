"""Opens the camera that was named: a number, a part of a webcam's name, or a folder of frames."""

from __future__ import annotations

from pathlib import Path

from capture.camera.shots import FrameSource


def open_camera(wanted: str) -> FrameSource:
    """The camera of this name.

    Args:
        wanted: ``0``, ``1`` ...; a part of its name; or an existing folder of pictures, which stands in for one.

    Raises:
        UsageError: there is none of this name.
        EnvironmentFault: it cannot be opened.
    """
    from capture.camera.files import FolderCamera
    from capture.camera.webcam import Webcam, devices, pick

    if Path(wanted).is_dir():
        return FolderCamera(Path(wanted))
    return Webcam(pick(wanted, devices()))
