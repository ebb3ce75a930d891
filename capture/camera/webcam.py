"""A webcam, through OpenCV; its name and number through Video4Linux.

Only this module touches the hardware. The driver's automatic focus is left as it is and its position is noted with
every frame, so that a calibration made at another focus can be told.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from capture.camera.shots import WAIT_S, Frame
from capture.errors import EnvironmentFault, UsageError

_CLASS = Path("/sys/class/video4linux")
_LARGEST = (10_000, 10_000)
"""Asked for, a driver gives the largest picture that it can."""
_SETTLE_S = 0.6
"""Exposure and white balance settle after opening; what comes before is not looked at."""
_STALE = 5
"""Frames that the driver may have kept since the camera was last looked through, minutes old: they are thrown away."""


@dataclass(frozen=True)
class Device:
    """A camera of this machine."""

    number: int
    name: str


def devices(place: Path = _CLASS) -> tuple[Device, ...]:
    """This machine's cameras. Of the nodes that one camera has, the first gives pictures; the others give data."""
    found: dict[str, Device] = {}
    for node in sorted(place.glob("video*"), key=lambda path: _number(path.name)):
        try:
            name = (node / "name").read_text("utf-8", "replace").strip()
            index = (node / "index").read_text().strip() if (node / "index").exists() else "0"
        except OSError:
            continue
        if index == "0":
            found[node.name] = Device(_number(node.name), name)
    return tuple(found.values())


def pick(wanted: str, known: tuple[Device, ...]) -> Device:
    """The camera of this number or (part of a) name.

    Raises:
        UsageError: there is none, or several fit.
    """
    if wanted.isdigit():
        return next((one for one in known if one.number == int(wanted)), Device(int(wanted), f"camera {wanted}"))
    fits = [one for one in known if wanted.lower() in one.name.lower()]
    if len(fits) == 1:
        return fits[0]
    names = "; ".join(f"{one.number}: {one.name}" for one in known) or "none"
    problem = "several cameras fit" if fits else "no camera of that name"
    raise UsageError(f"--camera '{wanted}': {problem}; this machine has {names}. Give its number or more of its name.")


class Webcam:
    """A camera of this machine, opened.

    Args:
        device: which one.
        capture: stands in for ``cv2.VideoCapture`` in tests.

    Raises:
        EnvironmentFault: it cannot be opened.
    """

    def __init__(self, device: Device, capture: Any = None) -> None:
        import cv2

        self.name = device.name
        self._capture = (capture or cv2.VideoCapture)(device.number)
        if not self._capture.isOpened():
            raise EnvironmentFault(
                f"The camera '{device.name}' cannot be opened; see that it is plugged in and no other program uses it."
            )
        self._capture.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"MJPG"))  # others are slow when large
        self._capture.set(cv2.CAP_PROP_FRAME_WIDTH, _LARGEST[0])
        self._capture.set(cv2.CAP_PROP_FRAME_HEIGHT, _LARGEST[1])
        self._capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)
        self._opened = time.monotonic()

    def frames(self) -> Iterator[Frame]:
        """As :meth:`capture.camera.shots.FrameSource.frames`."""
        import cv2
        import numpy as np

        for _ in range(_STALE):
            self._capture.grab()
        start = time.monotonic()
        last = start
        while True:
            ok, bgr = self._capture.read()
            now = time.monotonic()
            if not ok:
                if now - last > WAIT_S:
                    raise EnvironmentFault(f"The camera '{self.name}' stopped giving pictures; plug it in again.")
                time.sleep(0.02)
                continue
            last = now
            if now - self._opened < _SETTLE_S:
                continue
            rgb = np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB), np.uint8)
            yield Frame(rgb, datetime.now().astimezone(), now - start, self._focus())

    def close(self) -> None:
        """Let go of the camera."""
        self._capture.release()

    def _focus(self) -> str | None:
        """The lens's position as the driver counts it; None when it does not tell."""
        import cv2

        value = float(self._capture.get(cv2.CAP_PROP_FOCUS))
        return f"{value:g}" if value > 0 else None


def _number(node: str) -> int:
    found = re.search(r"\d+", node)
    return int(found[0]) if found else 0
