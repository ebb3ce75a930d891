"""Spreading work over the processors: pages of it go out to processes of their own and come back in their order."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from types import TracebackType
from typing import Self, TypeVar

_AHEAD = 3
"""Pages under way for each process."""

_FAILED = (BrokenProcessPool, OSError)
"""What the going of a process raises; the page is then done here."""

Page = TypeVar("Page")
Result = TypeVar("Result")


class Spread:
    """Processes to spread work over; use it in a ``with`` block.

    Args:
        processes: how many; 1 does everything here, with no process of its own. With more, the program's main module
            must be one that can be imported without doing anything.
    """

    def __init__(self, processes: int = 1) -> None:
        self._processes = processes
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Self:
        if self._processes > 1:
            self._pool = ProcessPoolExecutor(self._processes, mp_context=get_context("spawn"))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    def over(self, work: Callable[[Page], Result], pages: Iterable[Page]) -> Iterator[tuple[Page, Result]]:
        """Each page with what ``work`` makes of it, in the order of the pages.

        Args:
            work: a function of a module; it and its pages can be pickled. A page whose process went away is done here.
            pages: taken a few at a time.
        """
        if self._pool is None:
            for page in pages:
                yield page, work(page)
            return
        waiting: deque[tuple[Page, Future[Result] | None]] = deque()
        for page in pages:
            waiting.append((page, self._sent(work, page)))
            if len(waiting) > _AHEAD * self._processes:
                yield self._come_back(work, *waiting.popleft())
        while waiting:
            yield self._come_back(work, *waiting.popleft())

    def beside(self, work: Callable[[Page], Result], page: Page) -> Callable[[], Result]:
        """Begin one piece of work; the function that is returned waits for it."""
        future = self._sent(work, page)
        return lambda: self._come_back(work, page, future)[1]

    def _sent(self, work: Callable[[Page], Result], page: Page) -> Future[Result] | None:
        try:
            return self._pool.submit(work, page) if self._pool is not None else None
        except _FAILED:
            return None

    @staticmethod
    def _come_back(work: Callable[[Page], Result], page: Page, future: Future[Result] | None) -> tuple[Page, Result]:
        try:
            return page, work(page) if future is None else future.result()
        except _FAILED:
            return page, work(page)


def processors() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
