"""Spelled names (serial numbers, lots) and calendar dates, read exactly or not at all."""

from __future__ import annotations

import re
from calendar import monthrange
from collections.abc import Iterator
from datetime import date

from capture.phrases.number import Words, read_integer
from capture.procedure import language as lang
from capture.procedure.language import digits_aloud

_NAME_OF_CHAR = {char: word for word, char in lang.ICAO.items()} | {"-": "dash", "/": "slash", ".": "dot"}


def read_spelled(words: Words, pattern: str | None = None) -> str | None:
    """What ``words`` spell, letters upper-case, or None.

    "oh" is the digit zero; only where ``pattern`` refuses that and takes the letter in its place, it is the letter.
    "twenty three" is 23, "double four" 44, "double u" the letter W.
    """
    pieces = _pieces(words)
    if not pieces:
        return None
    readings = ["".join(pieces).replace("\0", char) for char in ("0", "O")]
    if pattern is None:
        return readings[0]
    return next((reading for reading in readings if re.fullmatch(pattern, reading)), readings[0])


def _pieces(words: Words) -> list[str] | None:
    """The characters of each word; NUL stands for "oh"."""
    pieces: list[str] = []
    position = 0
    while position < len(words):
        word, following = words[position], words[position + 1 : position + 2]
        if word in lang.REPEATS:
            char = _char(following[0]) if following else None
            if char is None:
                return None
            pieces.append("W" if (word, *following) == ("double", "u") else char * lang.REPEATS[word])
            position += 2
        elif word in lang.TENS:
            one = lang.DIGITS.get(following[0], 0) if following else 0
            pieces.append(str(lang.TENS[word] + one))
            position += 2 if one else 1
        elif word in lang.TEENS:
            pieces.append(str(lang.TEENS[word]))
            position += 1
        elif (char := _char(word)) is not None:
            pieces.append(char)
            position += 1
        else:
            return None
    return pieces


def _char(word: str) -> str | None:
    if word == "oh":
        return "\0"
    if word in lang.DIGITS:
        return str(lang.DIGITS[word])
    return lang.LETTERS.get(word) or lang.ICAO.get(word) or lang.MARKS.get(word)


def spell(text: str) -> str:
    """``text`` character by character, letters by the spelling alphabet, as it is read back."""
    return " ".join(digits_aloud(c) if c.isdigit() else _NAME_OF_CHAR.get(c.upper(), c) for c in text)


def read_date(words: Words) -> date | None:
    """The one date that ``words`` are, or None; the year is said in full. A month alone means its last day."""
    words = tuple(word for word in words if word not in ("the", "of"))
    found = {*_with_month(words), *_in_digits(words)}
    return found.pop() if len(found) == 1 else None


def _with_month(words: Words) -> Iterator[date]:
    """ "march 2027", "31st march 2027", "march 31st 2027", "2027 march 31st"."""
    places = [i for i, word in enumerate(words) if word in lang.MONTHS]
    if len(places) != 1:
        return
    month, before, after = lang.MONTHS[words[places[0]]], words[: places[0]], words[places[0] + 1 :]
    if not before:
        yield from _made(_year(after), month, None)
        for cut in range(1, len(after)):
            yield from _made(_year(after[cut:]), month, _day(after[:cut]))
    elif (year := _year(before)) is not None:
        yield from _made(year, month, _day(after) if after else None)
    else:
        yield from _made(_year(after), month, _day(before))


def _in_digits(words: Words) -> Iterator[date]:
    """ISO 8601 aloud: "two zero two seven dash zero three dash three one"."""
    text = read_spelled(words) or ""
    if match := re.fullmatch(r"(20\d\d)-(\d\d)-(\d\d)", text):
        yield from _made(int(match[1]), int(match[2]), int(match[3]))


def _made(year: int | None, month: int, day: int | None) -> Iterator[date]:
    """The date if there is one; ``day`` None with a year means the month's end, -1 that no day could be read."""
    if year is None or not 1 <= month <= 12:
        return
    last = monthrange(year, month)[1]
    if day is None or 1 <= day <= last:
        yield date(year, month, last if day is None else day)


def _year(words: Words) -> int | None:
    year = read_integer(words)
    return year if year is not None and 2000 <= year <= 2099 else None


def _day(words: Words) -> int:
    """The day of the month, or -1 when ``words`` are none."""
    if len(words) == 1 and words[0] in lang.ORDINALS:
        return lang.ORDINALS[words[0]]
    if len(words) == 2 and words[0] in lang.TENS and lang.ORDINALS.get(words[1], 99) < 10:
        return lang.TENS[words[0]] + lang.ORDINALS[words[1]]
    day = read_integer(words)
    return -1 if day is None else day
