"""From frames to one picture: the best of a second, with the next best beside it as a burst."""

from __future__ import annotations

import heapq
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any, Protocol

from capture.errors import EnvironmentFault

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

SECONDS = 1.0
BURST = 5
"""Frames of a burst, the best one included: enough for a scatter, and few enough to be measured in seconds."""
WAIT_S = 10.0
"""How long a camera may take to give its first frame."""


@dataclass(frozen=True, eq=False)
class Frame:
    """One frame of a camera: ``rgb`` (H, W, 3), when it came, seconds since the source was asked, and how the lens was
    focused, as the driver tells it; ``file``: the whole file when it came as one."""

    rgb: npt.NDArray[np.uint8]
    at: datetime
    since_s: float
    focus: str | None = None
    file: bytes | None = None


class FrameSource(Protocol):
    """A camera. ``name`` is what people and its pictures call it."""

    name: str

    def frames(self) -> Iterator[Frame]:
        """Frames from now on, until the iterator is closed.

        Raises:
            EnvironmentFault: the camera is gone.
        """

    def close(self) -> None:
        """Let go of it."""


@dataclass(frozen=True)
class Shot:
    """A picture: the whole file, its media type and name; ``more``: other frames of the same view, as whole files;
    ``facts``: plain facts to keep with it."""

    data: bytes
    media_type: str
    name: str
    more: tuple[bytes, ...] = ()
    facts: dict[str, Any] = field(default_factory=dict)


def take(source: FrameSource, *, seconds: float = SECONDS, burst: int = BURST) -> Shot:
    """Take the best frames of some seconds.

    Args:
        source: the camera.
        seconds: for how long it is watched, from its first frame on.
        burst: how many frames are taken, the best one included.

    Returns:
        the best one, the others in the order of their worth. Frames become lossless PNG files; the files of a source
        that has files stay as they are.

    Raises:
        EnvironmentFault: the camera gives no picture.
    """
    from vision.frames import worth

    best: list[tuple[float, int, Frame]] = []
    seen, first = 0, None
    for frame in source.frames():
        first = frame.since_s if first is None else first
        if frame.since_s - first > seconds and seen > 0:
            break
        seen += 1
        item = (worth(frame.rgb).score, -seen, frame)
        if len(best) < burst:
            heapq.heappush(best, item)
        else:
            heapq.heappushpop(best, item)
    if not best:
        raise EnvironmentFault(f"The camera '{source.name}' gives no picture; see that it is plugged in and free.")
    ranked = sorted(best, reverse=True, key=lambda one: one[:2])
    files = [frame_file(frame, source.name) for _, _, frame in ranked]
    chosen = ranked[0][2]
    facts: dict[str, Any] = {
        "camera": source.name,
        "frames_seen": seen,
        "frames_taken": len(files),
        "score": round(ranked[0][0], 4),
    }
    if chosen.focus is not None:
        facts["focus"] = chosen.focus
    kind = media_type_of(files[0])
    name = f"{chosen.at.strftime('%Y%m%dT%H%M%S%z')}.{kind.split('/')[1]}"
    return Shot(files[0], kind, name, tuple(files[1:]), facts)


def media_type_of(data: bytes) -> str:
    """The media type of a picture file, by its first bytes."""
    if data[:2] == b"\xff\xd8":
        return "image/jpeg"
    return "image/webp" if data[:4] == b"RIFF" else "image/png"


def frame_file(frame: Frame, model: str) -> bytes:
    """The frame as a whole file: as it came, or a lossless PNG that says whose it is and when it was taken."""
    if frame.file is not None:
        return frame.file
    from PIL import Image

    from vision.exif import webcam_exif

    offset = frame.at.strftime("%z")
    exif = webcam_exif(model, frame.at.strftime("%Y:%m:%d %H:%M:%S"), f"{offset[:3]}:{offset[3:5]}", frame.focus)
    out = io.BytesIO()
    Image.fromarray(frame.rgb).save(out, "PNG", compress_level=1, exif=exif)
    return out.getvalue()
