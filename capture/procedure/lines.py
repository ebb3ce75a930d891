"""Where in a TOML text a table or key stands, for messages that name the line.

``tomllib`` gives values without places. This light scan finds headers and keys of well-formed TOML; what stands inside
a value (an inline table, say) is reported at its key's line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

Path = tuple[str | int, ...]
"""Keys and list positions from the root, as they index the parsed data."""

_HEADER = re.compile(r"^\s*(\[\[|\[)\s*([A-Za-z0-9_.\-\"' ]+?)\s*\]")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-]+|\"[^\"]*\"|'[^']*')\s*=")


class Lines:
    """Line numbers (from 1) by path."""

    def __init__(self, lines: Mapping[Path, int]) -> None:
        self._lines = dict(lines)

    def at(self, path: Path) -> int:
        """The line of ``path`` (of a list of tables: of its first), or of the nearest thing around it that has one; 1
        for the root."""
        while path and path not in self._lines and (*path, 0) not in self._lines:
            path = path[:-1]
        return self._lines.get(path) or self._lines.get((*path, 0), 1)


def scan(text: str) -> Lines:
    """Find the line of every table and key of ``text``."""
    found: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
    rest = ""  # what is still open of a value that goes over several lines
    for number, line in enumerate(text.splitlines(), 1):
        if rest:
            rest = _still_open(rest + "\n" + line)
            continue
        if header := _HEADER.match(line):
            names = [name.strip(" \"'") for name in header[2].split(".")]
            table = _resolve(names, counts, is_list=header[1] == "[[")
            found.setdefault(table, number)
        elif key := _KEY.match(line):
            found[(*table, key[1].strip("\"'"))] = number
            rest = _still_open(line[key.end() :])
    return Lines(found)


def _resolve(names: list[str], counts: dict[Path, int], *, is_list: bool) -> Path:
    """The path that a header means: inside lists of tables, the last element begun."""
    path: Path = ()
    for position, name in enumerate(names):
        path = (*path, name)
        if position == len(names) - 1 and is_list:
            counts[path] = counts.get(path, 0) + 1
        if path in counts:
            path = (*path, counts[path] - 1)
    return path


def _still_open(value: str) -> str:
    """``value`` if brackets or a long string in it are still open, else an empty text."""
    depth, position = 0, 0
    while position < len(value):
        triple = value[position : position + 3]
        if triple in ('"""', "'''"):
            end = value.find(triple, position + 3)
            if end < 0:
                return value
            position = end + 3
            continue
        char = value[position]
        if char in "\"'":
            position = _string_end(value, position)
            continue
        if char == "#":
            end = value.find("\n", position)
            position = len(value) if end < 0 else end
            continue
        depth += {"[": 1, "{": 1, "]": -1, "}": -1}.get(char, 0)
        position += 1
    return value if depth > 0 else ""


def _string_end(value: str, start: int) -> int:
    """The position after the one-line string that begins at ``start``."""
    quote, position = value[start], start + 1
    while position < len(value) and value[position] not in (quote, "\n"):
        position += 2 if quote == '"' and value[position] == "\\" else 1
    return position + 1
