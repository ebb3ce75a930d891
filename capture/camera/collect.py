"""Collecting a board's pictures from a camera: those are taken in which it rests and that add something."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from capture.camera.shots import Frame, FrameSource, frame_file

if TYPE_CHECKING:
    from vision.calibration import Board
    from vision.coverage import Coverage, View
    from vision.model import Array, Photo

MOST = 40
PATIENCE_S = 120.0
"""When so long nothing new was seen, collecting ends."""
_REST = 0.0015
_NEW_TILT_DEG, _NEW_PLACE = 8.0, 0.08


@dataclass
class Collected:
    """What was collected: corners of each view (see ``vision.calibration.solve``), its photograph without the pixels,
    its file, and the field that is covered."""

    coverage: Coverage
    seen: list[tuple[Array, Array]] = field(default_factory=list)
    photos: list[Photo] = field(default_factory=list)
    files: list[bytes] = field(default_factory=list)


def collect(
    source: FrameSource, board: Board, tell: Callable[[Collected, Photo], None], *, most: int = MOST
) -> Collected | None:
    """Watch a camera until the field is covered, ``most`` views were taken, or nothing new comes.

    Args:
        source: the camera.
        board: what is held before it.
        tell: is shown what there is after every view, and its photograph.
        most: views at most.

    Returns:
        what was collected; None when the camera gave no frame. A person who stops it (Ctrl+C) gets what there is.

    Raises:
        EnvironmentFault: the camera is gone.
    """
    from vision.calibration import corners_of
    from vision.coverage import Coverage, view_of
    from vision.model import Photo

    got: Collected | None = None
    before: tuple[Array, Array] | None = None
    latest = 0.0
    # Ctrl+C ends collecting, wherever it comes; what is there is used
    with suppress(KeyboardInterrupt):
        for frame in source.frames():
            photo = Photo(frame.rgb, "", frame.at.isoformat(timespec="seconds"), source.name, focus=_focus(frame))
            if got is None:
                got = Collected(Coverage(photo.size))
            points, corners = corners_of(photo, board)
            rests = before is not None and _rests(before, (points, corners), photo.size)
            before = (points, corners) if len(points) else None
            view = view_of(points, corners, photo.size) if rests else None
            if view is not None and _adds(got.coverage, view):
                latest = frame.since_s
                file = frame_file(frame, source.name)
                got.coverage = got.coverage.with_view(view)
                got.seen.append((points, corners))
                got.photos.append(replace(photo, rgb=photo.rgb[..., :0]))
                got.files.append(file)
                tell(got, photo)
            if got.coverage.enough or len(got.seen) >= most or frame.since_s - latest > PATIENCE_S:
                break
    return got


def _focus(frame: Frame) -> str | None:
    """As a picture of this frame will tell it (see ``vision.exif``)."""
    from vision.exif import FOCUS_MARK

    if frame.focus is None or frame.focus.startswith(FOCUS_MARK) or frame.file is not None:
        return frame.focus
    return FOCUS_MARK + frame.focus


def _rests(before: tuple[Array, Array], now: tuple[Array, Array], size: tuple[int, int]) -> bool:
    """Whether the board's corners, matched by their places on the board, are where they were."""
    known = {tuple(p): c for p, c in zip(before[0].round(3).tolist(), before[1], strict=True)}
    moved = [
        float(np.linalg.norm(c - known[tuple(p)]))
        for p, c in zip(now[0].round(3).tolist(), now[1], strict=True)
        if tuple(p) in known
    ]
    return len(moved) >= 8 and float(np.median(moved)) <= _REST * max(size)


def _adds(coverage: Coverage, view: View) -> bool:
    """Whether a view covers a new cell, or shows the board tilted or placed as no other does."""
    if (coverage.with_view(view).cells > 0).sum() > (coverage.cells > 0).sum():
        return True
    middle = view.corners.mean(0)
    far = _NEW_PLACE * max(coverage.size)
    return all(
        abs(view.tilt_deg - other.tilt_deg) > _NEW_TILT_DEG
        or float(np.linalg.norm(middle - other.corners.mean(0))) > far
        for other in coverage.views
    )
