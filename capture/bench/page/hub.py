"""From the bench's threads to the pages that listen: server-sent events (WHATWG HTML, section 9.2)."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import suppress
from typing import Any

from capture.bench.live_types import Told

MOST_WAITING = 300
BEAT_S = 2.0
"""A page that heard nothing for some beats knows that it lost the connection."""


class Hub:
    """Spreads what the bench tells. Each page first gets the whole board, then what changes; a page that is too slow is
    cut off, comes back by itself, and gets the whole board again."""

    def __init__(self) -> None:
        self.board: Callable[[], Mapping[str, Any]] = dict
        self._loop: asyncio.AbstractEventLoop | None = None
        self._pages: set[asyncio.Queue[str | None]] = set()
        self._order = threading.Lock()
        self._closing = False

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """Use this loop."""
        self._loop = loop

    def pages(self) -> int:
        """How many pages listen."""
        return len(self._pages)

    def tell(self, told: Told) -> None:
        """Tell all pages; from any thread."""
        loop = self._loop
        if loop is None or loop.is_closed() or not self._pages:
            return
        # Made and handed over in one go, so that an older board never comes after a newer one.
        with self._order:
            kind, data = ("board", self.board()) if told.kind == "changed" else (told.kind, told.data)
            # A loop that closed meanwhile has nobody listening any more.
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(self._spread, event(kind, data))

    def close(self) -> None:
        """End all streams; from the loop."""
        self._closing = True
        for page in self._pages:
            page.put_nowait(None)

    def changed(self) -> None:
        """Show all pages the whole board again."""
        self.tell(Told("changed", {}))

    async def listen(self, known: Callable[[], bool] = lambda: True) -> AsyncIterator[str]:
        """One page's stream; it ends when the page is no longer ``known``."""
        queue: asyncio.Queue[str | None] = asyncio.Queue()
        self._pages.add(queue)
        try:
            yield "retry: 1000\n\n" + event("board", await asyncio.to_thread(self.board))
            while not self._closing:
                try:
                    text = await asyncio.wait_for(queue.get(), BEAT_S)
                except TimeoutError:
                    text = event("beat", {})
                if text is None or not known():
                    return
                yield text
        finally:
            self._pages.discard(queue)

    def _spread(self, text: str) -> None:
        for page in list(self._pages):
            if page.qsize() >= MOST_WAITING:
                self._pages.discard(page)
                page.put_nowait(None)
            else:
                page.put_nowait(text)


def event(kind: str, data: Mapping[str, Any]) -> str:
    """One event as it goes over the wire; JSON has no line breaks, so one data line is enough."""
    return f"event: {kind}\ndata: {json.dumps(data, ensure_ascii=False)}\n\n"
