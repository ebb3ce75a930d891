"""Do the lines of ``heads.txt`` say what the ledger holds? Both are walked along side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from capture.record import heads
from capture.record.rows import Fault
from capture.record.trouble import UNREADABLE

Look = Callable[[int], tuple[str, str] | None]
"""The (id, hash) of the row with this number, or None."""

_COPY = "compare with a copy of the record"
_AT_ONCE = 5000


class HeadsWalk:
    """Takes the rows in their order and compares each with its line.

    Lines that stand elsewhere than their rows, which a crash and the making up for it leave, are looked up afterwards.

    Args:
        folder: the record's folder.
        look: looks a row up; may raise what a damaged ledger raises.
        fault: is told each fault.
    """

    def __init__(self, folder: Path, look: Look, fault: Callable[[Fault], None]) -> None:
        self._lines = heads.Lines(folder)
        self._look, self._fault = look, fault
        self._aside: list[heads.HeadLine] = []
        self._behind: dict[int, int] = {}
        self._ahead: heads.HeadLine | None = None

    def rows(self, lines: bytes) -> bool:
        """The next rows, by the lines that they must have; False, and nothing is done, when others come next."""
        if self._ahead is None:
            return self._lines.skip(lines)
        first, _, rest = lines.partition(b"\n")
        if first.decode() != f"{self._ahead.seq} {self._ahead.hash}" or not self._lines.skip(rest):
            return False
        self._ahead = None
        return True

    def row(self, seq: int, id_: str, hash_: str) -> None:
        """The next row."""
        while (line := self._peek()) is not None and line.seq < seq:
            self._put_aside(line)
            self._ahead = None
        if line is not None and line.seq == seq:
            self._compare(line, id_, hash_)
            self._ahead = None
        else:
            self._is_behind(seq)

    def finish(self, rows: int) -> list[Fault]:
        """All rows were taken, ``rows`` of them; returns the notices."""
        while (line := self._peek()) is not None:
            self._put_aside(line)
            self._ahead = None
        self._settle()
        if not self._lines.there:
            todo = "rows cut off at the end show only against a head kept elsewhere"
            return [Fault(heads.NAME, "the file is missing", todo)] if rows else []
        what, todo = f"{heads.NAME} has no line for it", "a crash right after storing it leaves this"
        return [
            Fault(f"row {first}" if first == last else f"rows {first} to {last}", what, todo)
            for first, last in self._behind.items()
        ]

    def close(self) -> None:
        """Close the file; harmless when it is closed."""
        self._lines.close()

    def _peek(self) -> heads.HeadLine | None:
        """The next line, which stays the next one until ``_ahead`` is taken away."""
        if self._ahead is None:
            self._ahead = self._read()
        return self._ahead

    def _read(self) -> heads.HeadLine | None:
        for line in self._lines:
            if isinstance(line, heads.HeadLine):
                return line
            self._fault(Fault(f"{heads.NAME} line {line}", "the line cannot be read", _COPY))
        return None

    def _put_aside(self, line: heads.HeadLine) -> None:
        self._aside.append(line)
        if len(self._aside) >= _AT_ONCE:
            self._settle()

    def _settle(self) -> None:
        for line in self._aside:
            try:
                found = self._look(line.seq)
            except UNREADABLE:
                found = None
            if found is None:
                what = f"row {line.seq} was stored with hash {line.hash} and is no longer in the ledger"
                self._fault(Fault(f"{heads.NAME} line {line.number}", what, "put the ledger back from a copy"))
            else:
                self._compare(line, *found)
                self._noted(line.seq)
        self._aside.clear()

    def _compare(self, line: heads.HeadLine, id_: str, hash_: str) -> None:
        if hash_ != line.hash:
            what = f"when row {line.seq} (id {id_}) was stored its hash was {line.hash}, now it is {hash_}"
            self._fault(Fault(f"{heads.NAME} line {line.number}", what, _COPY))

    def _is_behind(self, seq: int) -> None:
        """Keep stretches of rows without a line: the first of each, and its last."""
        if self._behind:
            first = next(reversed(self._behind))
            if self._behind[first] == seq - 1:
                self._behind[first] = seq
                return
        self._behind[seq] = seq

    def _noted(self, seq: int) -> None:
        """A row that seemed to have no line has one after all."""
        first = next((first for first, last in self._stretches() if first <= seq <= last), None)
        if first is None:
            return
        last = self._behind.pop(first)
        if first < seq:
            self._behind[first] = seq - 1
        if seq < last:
            self._behind[seq + 1] = last
        self._behind = dict(sorted(self._behind.items()))

    def _stretches(self) -> Iterator[tuple[int, int]]:
        return iter(self._behind.items())
