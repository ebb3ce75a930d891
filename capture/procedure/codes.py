"""Example codes for a pattern, so that sentences can be drawn for any procedure's serial numbers."""

from __future__ import annotations

import re
from functools import cache
from random import Random
from string import ascii_uppercase, digits
from typing import Any

_SPEAKABLE = ascii_uppercase + digits + "-/"


def draw(pattern: str, rng: Random, tries: int = 50) -> str:
    """A code of letters, digits, dashes and slashes that ``pattern`` matches whole.

    Patterns built from characters, classes, groups, choices and repeats are drawn from directly; for others a plain
    code of letters and digits is given.
    """
    for _ in range(tries):
        try:
            text = "".join(_draw(_tree(pattern), rng))
        except _CannotDraw:
            break
        except _CannotSay:
            continue
        if text and re.fullmatch(pattern, text):
            return text
    return "".join(rng.choice(digits) for _ in range(4))


def speakable(pattern: str, tries: int = 50) -> bool:
    """Whether a code that ``pattern`` matches can be spelled aloud: False only where that is certain."""
    rng = Random(1)
    for _ in range(tries):
        try:
            _draw(_tree(pattern), rng)
        except _CannotSay:
            continue
        except _CannotDraw:
            pass
        return True
    return False


class _CannotDraw(Exception):
    pass


class _CannotSay(Exception):
    pass


@cache
def _tree(pattern: str) -> Any:
    from re import _parser  # type: ignore[attr-defined]  # the parse tree has no public name

    return _parser.parse(pattern)


def _draw(tree: Any, rng: Random) -> list[str]:
    text: list[str] = []
    for op, value in tree:
        name = str(op)
        if name == "LITERAL":
            if chr(value) not in _SPEAKABLE:
                raise _CannotSay
            text.append(chr(value))
        elif name == "IN":
            text.append(rng.choice(_class(value)))
        elif name in ("MAX_REPEAT", "MIN_REPEAT"):
            low, high, inner = value
            for _ in range(rng.randint(int(low), min(int(high), int(low) + 6))):
                text += _draw(inner, rng)
        elif name == "SUBPATTERN":
            text += _draw(value[-1], rng)
        elif name == "BRANCH":
            text += _draw(rng.choice(value[1]), rng)
        elif name != "AT":
            raise _CannotDraw
    return text


def _class(items: Any) -> str:
    chars: list[str] = []
    for op, value in items:
        name = str(op)
        if name == "LITERAL":
            chars.append(chr(value))
        elif name == "RANGE":
            chars += [chr(code) for code in range(value[0], value[1] + 1)]
        elif name == "CATEGORY" and str(value) == "CATEGORY_DIGIT":
            chars += digits
        else:
            raise _CannotDraw
    said = "".join(char for char in chars if char in _SPEAKABLE)
    if not said:
        raise _CannotSay
    return said
