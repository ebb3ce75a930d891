"""``heads.txt``: one line a row, "seq hash", written after the row's commit.

SQLite drops damaged transactions at the end of its log without a word. The lines here show that rows were there and
which; they are no proof against someone who cuts both (for that a head must have left the machine).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

NAME = "heads.txt"

_LINE = re.compile(rb"([1-9]\d{0,17}) ([0-9a-f]{64})")
_LONGEST = 4096
_TAIL = 65_536


@dataclass(frozen=True)
class HeadLine:
    """Line ``number`` of the file says that row ``seq`` had this ``hash``."""

    number: int
    seq: int
    hash: str


class Lines:
    """The lines of a record's ``heads.txt``, one after another; the number of one that cannot be read instead of it.

    A last line without its end and a run of zero bytes, which a crash or a power cut leaves, are neither. Nothing when
    there is no such file. The file is closed after the last line, or by ``close``.
    """

    def __init__(self, folder: Path) -> None:
        self._stream: BinaryIO | None = None
        self._number = 0
        with suppress(FileNotFoundError):
            self._stream = (folder / NAME).open("rb")
        self.there = self._stream is not None

    def __iter__(self) -> Iterator[HeadLine | int]:
        return self

    def __next__(self) -> HeadLine | int:
        while self._stream is not None and (line := self._stream.readline(_LONGEST)):
            self._number += line.endswith(b"\n")
            found = _LINE.fullmatch(line.rstrip(b"\n"))
            if found and line.endswith(b"\n"):
                return HeadLine(self._number, int(found[1]), found[2].decode())
            if line.strip(b"\0\n") and line.endswith(b"\n"):
                return self._number
        self.close()
        raise StopIteration

    def skip(self, text: bytes) -> bool:
        """Step over whole lines if exactly these come next; else stay where it is."""
        if self._stream is None:
            return False
        place = self._stream.tell()
        if self._stream.read(len(text)) != text:
            self._stream.seek(place)
            return False
        self._number += text.count(b"\n")
        return True

    def close(self) -> None:
        """Close the file; harmless when it is closed."""
        if self._stream is not None:
            self._stream.close()
            self._stream = None


def last_noted(folder: Path) -> int:
    """The highest row number in the last lines; 0 for none."""
    try:
        with (folder / NAME).open("rb") as stream:
            stream.seek(max(0, stream.seek(0, 2) - _TAIL))
            found = [_LINE.fullmatch(line) for line in stream.read().split(b"\n")]
    except FileNotFoundError:
        return 0
    return max((int(line[1]) for line in found if line), default=0)


def not_noted(folder: Path, seq: int) -> list[tuple[int, int]]:
    """The rows from 1 to ``seq`` that have no line, as (first, last) of each stretch."""
    known = bytearray(seq // 8 + 1)
    for line in Lines(folder):
        if isinstance(line, HeadLine) and line.seq <= seq:
            known[line.seq >> 3] |= 1 << (line.seq & 7)
    stretches: list[tuple[int, int]] = []
    for number in range(1, seq + 1):
        if known[number >> 3] >> (number & 7) & 1:
            continue
        if stretches and stretches[-1][1] == number - 1:
            stretches[-1] = (stretches[-1][0], number)
        else:
            stretches.append((number, number))
    return stretches


def is_complete(folder: Path, seq: int, digest: str) -> bool:
    """Whether ``heads.txt`` plainly has one line for each row up to ``seq``, as far as its size and its last line tell;
    quick however long it is."""
    last = f"{seq} {digest}\n".encode() if seq else b""
    try:
        with (folder / NAME).open("rb") as stream:
            if stream.seek(0, 2) != _size_of(seq):
                return False
            stream.seek(-len(last), 2)
            return stream.read() == last
    except FileNotFoundError:
        return not seq


def _size_of(seq: int) -> int:
    """The bytes of the lines of rows 1 to ``seq``: a number, a space, 64 digits, a line feed each."""
    size, first = 66 * seq, 1
    while first <= seq:
        size += len(str(first)) * (min(seq, 10 * first - 1) - first + 1)
        first *= 10
    return size


def add(folder: Path, heads: Iterable[tuple[int, str]]) -> None:
    """Append lines, one (seq, hash) each; a torn last line is ended first.

    The rows are committed already, so a disk that refuses is no reason to tell the caller that they are not: the lines
    are left out, which a verification notes, and made up for when the record is next opened for writing.
    """
    with suppress(OSError):
        _add(folder, heads)


def _add(folder: Path, heads: Iterable[tuple[int, str]]) -> None:
    text = "".join(f"{seq} {digest}\n" for seq, digest in heads).encode()
    with (folder / NAME).open("a+b") as stream:
        if _torn(folder / NAME):
            text = b"\n" + text
        stream.write(text)


def _torn(path: Path) -> bool:
    with path.open("rb") as stream:
        size = stream.seek(0, 2)
        if not size:
            return False
        stream.seek(size - 1)
        return stream.read(1) != b"\n"
