"""A folder into which a camera puts its pictures: each new one is handed on once it is complete."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from capture.bench.plan import PHOTO_TYPES
from capture.errors import CaptureError, UsageError

EVERY_S = 0.7


class FolderWatch:
    """Looks into a folder again and again; what lay there at the start is not taken.

    Args:
        folder: an existing folder.
        take: is handed each new file; it may raise a CaptureError, and the file is then not tried again.
        ready: whether a picture can be taken now; until then new files wait.
        trouble: is told a sentence about a file that could not be taken.

    Raises:
        UsageError: there is no such folder.
    """

    def __init__(
        self, folder: Path, take: Callable[[Path], None], ready: Callable[[], bool], trouble: Callable[[str], None]
    ) -> None:
        if not folder.is_dir():
            raise UsageError(f"{folder}: not a folder; name the folder that the camera writes to.")
        self._folder, self._take, self._ready, self._trouble = folder, take, ready, trouble
        self._done = {path.name for path in folder.iterdir()}
        self._sizes: dict[str, int] = {}
        self._stop = threading.Event()

    def start(self) -> None:
        """Look from now on, in a thread of its own."""
        threading.Thread(target=self._run, name="watch", daemon=True).start()

    def stop(self) -> None:
        """Look no more."""
        self._stop.set()

    def look(self) -> None:
        """Look once. A file whose size did not change since the last look is complete."""
        if not self._ready():
            return
        for path in sorted(self._folder.iterdir()):
            if path.name in self._done or path.suffix.lower() not in PHOTO_TYPES or not path.is_file():
                continue
            size = path.stat().st_size
            if size == 0 or self._sizes.get(path.name) != size:
                self._sizes[path.name] = size
                continue
            self._done.add(path.name)
            try:
                self._take(path)
            except (CaptureError, OSError) as error:
                self._trouble(f"The picture {path.name} was not taken: {error}")

    def _run(self) -> None:
        while not self._stop.wait(EVERY_S):
            try:
                self.look()
            except OSError as error:
                self._trouble(f"The folder {self._folder} cannot be read ({error.strerror}); check it.")
