"""A folder into which a phone or microscope puts its pictures: each new one is handed on, whole and once.

Files are only read: never moved, renamed or deleted. A file is whole when it did not grow between two looks and its
format's end is there; one that stays cut off is handed on as it is after a while, so that it is kept and said to be
damaged rather than lost.
"""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from capture.camera.files import PICTURES
from capture.errors import CaptureError, UsageError

EVERY_S = 0.7
PATIENCE_S = 20.0
"""How long a file that is not whole may stand still before it is handed on as it is."""
_UNTAKEN = {".heic", ".heif", ".avif", ".tif", ".tiff", ".dng", ".bmp", ".gif", ".cr2", ".nef", ".arw", ".jxl"}


@dataclass
class _Waiting:
    size: int
    changed_ns: int
    since: float


class Watch:
    """Looks into a folder again and again; what lay there at the start is not taken.

    Args:
        folder: an existing folder.
        take: is handed each new file's path and bytes; it may raise a CaptureError, and the file is then not tried
            again.
        ready: whether a picture can be taken now; until then new files wait.
        trouble: is told a sentence about a file that could not be taken, and an empty one when the next could.
        clock: seconds, monotonic.

    Raises:
        UsageError: there is no such folder.
    """

    def __init__(
        self,
        folder: Path,
        take: Callable[[Path, bytes], None],
        ready: Callable[[], bool],
        trouble: Callable[[str], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if not folder.is_dir():
            raise UsageError(f"{folder}: not a folder; name the folder that the camera writes to.")
        self._folder, self._take, self._ready, self._trouble, self._clock = folder, take, ready, trouble, clock
        self._done = {path.name: _state(path) for path in folder.iterdir()}
        self._taken: set[str] = set()
        self._waiting: dict[str, _Waiting] = {}
        self._stop = threading.Event()

    def start(self) -> None:
        """Look from now on, in a thread of its own."""
        threading.Thread(target=self._run, name="watch", daemon=True).start()

    def stop(self) -> None:
        """Look no more."""
        self._stop.set()

    def look(self) -> None:
        """Look once."""
        if not self._ready():
            return
        for path in sorted(self._folder.iterdir()):
            try:
                self._one(path)
            except (CaptureError, OSError) as error:
                self._done[path.name] = _state(path)
                self._trouble(f"The picture {path.name} was not taken: {error}")

    def _one(self, path: Path) -> None:
        kind, state = path.suffix.lower(), _state(path)
        if state is None or self._done.get(path.name, ()) == state or path.name.startswith("."):
            return
        if kind in _UNTAKEN:
            self._done[path.name] = state
            self._trouble(f"{path.name} is not taken: set the camera to JPEG, or export the picture as JPEG or PNG.")
        elif kind in PICTURES and self._still(path.name, state):
            data = path.read_bytes()
            waiting = self._waiting[path.name]
            if not whole(data) and self._clock() - waiting.since < PATIENCE_S:
                return
            del self._waiting[path.name]
            self._done[path.name] = state
            digest = hashlib.sha256(data).hexdigest()
            if digest in self._taken:  # the same picture under another name, or touched
                return
            self._take(path, data)
            self._taken.add(digest)
            self._trouble("")

    def _still(self, name: str, state: tuple[int, int]) -> bool:
        """Whether the file is as it was at the last look."""
        size, changed = state
        known = self._waiting.get(name)
        if known is None or (known.size, known.changed_ns) != state:
            self._waiting[name] = _Waiting(size, changed, self._clock())
            return False
        return size > 0

    def _run(self) -> None:
        lost = False
        while not self._stop.wait(EVERY_S):
            try:
                self.look()
                if lost:
                    self._trouble("")
                lost = False
            except OSError as error:
                lost = True
                self._trouble(f"The folder {self._folder} cannot be read ({error.strerror}); check it.")


def _state(path: Path) -> tuple[int, int] | None:
    """Size and time of the last change; None for what is no file, or is gone."""
    try:
        found = path.stat()
    except OSError:
        return None
    return (found.st_size, found.st_mtime_ns) if path.is_file() else None


def whole(data: bytes) -> bool:
    """Whether a picture file is there to its end, by its format: JPEG's end mark, PNG's last chunk, WebP's size."""
    if data[:2] == b"\xff\xd8":
        # cannot stand within picture data (JPEG, ITU T.81, B.1.1.5), but in a preview, which lies at the beginning
        return b"\xff\xd9" in data[max(len(data) // 2, len(data) - 65536) :]
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return b"IEND" in data[-64:]
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return len(data) >= int.from_bytes(data[4:8], "little") + 8
    return False
