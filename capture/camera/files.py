"""A folder of pictures that stands in for a camera: for practice, for tests, and for frames that were kept."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

from capture.camera.shots import Frame
from capture.errors import EnvironmentFault, UsageError

PICTURES = {".jpg", ".jpeg", ".png", ".webp"}
_RATE = 10.0


class FolderCamera:
    """Gives the pictures of a folder in the order of their names, ten a second of its own time, and then ends.

    Each call of ``frames`` goes on where the last one ended, and begins again when all were given.

    Raises:
        UsageError: the folder holds no picture.
    """

    def __init__(self, folder: Path) -> None:
        self.name = folder.name
        self._paths = [path for path in sorted(folder.iterdir()) if path.suffix.lower() in PICTURES]
        if not self._paths:
            raise UsageError(f"{folder}: holds no picture (JPEG, PNG, WebP); put frames into it.")
        self._next = 0

    def frames(self) -> Iterator[Frame]:
        """As :meth:`capture.camera.shots.FrameSource.frames`."""
        from vision import PhotoError, load_photo

        if self._next >= len(self._paths):
            self._next = 0
        begin = datetime.now().astimezone()
        for number, path in enumerate(self._paths[self._next :]):
            try:
                data = path.read_bytes()
                photo = load_photo(data)
            except (OSError, PhotoError) as error:
                raise EnvironmentFault(f"{path}: cannot stand in for a camera's frame: {error}") from error
            since = number / _RATE
            yield Frame(photo.rgb, begin + timedelta(seconds=since), since, photo.focus, data)
            self._next += 1

    def close(self) -> None:
        """Nothing is held."""
