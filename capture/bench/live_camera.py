"""The bench's own camera: takes the picture that was asked for, or that the page wants, into the live job."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from capture.camera import FrameSource, take
from capture.errors import CaptureError, UsageError
from capture.judge.entry import Recorded

if TYPE_CHECKING:
    from capture.bench.live import Live

DELAY_S = 1.5
"""Between asking aloud and taking, for the hand to leave the picture."""


class Shutter:
    """Takes pictures with one camera, one at a time.

    Args:
        source: the camera.
        live: the live job, or None.
        asked: whether a picture that was asked for is taken without anything more.
        keep: whether the other frames of the burst are kept in the record too; they are measured either way.
    """

    def __init__(
        self,
        source: FrameSource,
        live: Callable[[], Live | None],
        *,
        asked: bool = True,
        keep: bool = False,
    ) -> None:
        self._source, self._live, self._asked, self._keep = source, live, asked, keep
        self._one = threading.Lock()
        self._closing = threading.Event()

    @property
    def name(self) -> str:
        """The camera's name."""
        return self._source.name

    def take(self, view: str | None = None) -> tuple[Recorded, ...]:
        """Take a picture for the view that was asked for, or for ``view``; what it became.

        Raises:
            UsageError: no job is open, there is no such view, or the camera is busy.
            CaptureError: the camera gives no picture, or it could not be stored.
        """
        live = self._live()
        if live is None:
            raise UsageError("No job is open; open one first.")
        if not self._one.acquire(blocking=False):
            raise UsageError("The camera is taking a picture; wait until it is there.")
        try:
            shot = take(self._source)
            facts = (
                {**shot.facts, "others": "kept" if self._keep else "measured, not kept"} if shot.more else shot.facts
            )
            stored = live.photo(
                shot.data, shot.media_type, view, shot.name, more=shot.more, keep=self._keep, facts=facts
            )
            live.warn("camera", "")
            return stored
        finally:
            self._one.release()

    def on_asked(self, view: str) -> None:
        """The picture of this view was asked for aloud: take it in a moment, in a thread of its own."""
        if self._asked:
            threading.Thread(target=self._later, args=(view, self._live()), name="shutter", daemon=True).start()

    def close(self) -> None:
        """Let go of the camera."""
        self._closing.set()
        with self._one:
            self._source.close()

    def _later(self, view: str, live: Live | None) -> None:
        if self._closing.wait(DELAY_S) or live is None or live is not self._live():
            return
        if live.session.asked != view:  # withdrawn, or its picture came another way
            return
        try:
            self.take(view)
        except CaptureError as error:
            live.warn("camera", str(error))
