"""The words of dictation that belong to every procedure, as tables, and the one spelling that each word has inside.

These tables are the single source for reading numbers, spelled names and dates, for the recogniser's vocabulary, for
generated sentences and for refusing names that could not be told from them. Words that sound alike have one spelling
("oh" is also the letter O; "millimetres" also millimeters). Spelling alphabet and digits: ICAO Annex 10, volume II,
5.2.1 (from memory: alfa, juliett, niner, tree, fife, fower, tousand); the rest is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from types import MappingProxyType

DIGITS: Mapping[str, int] = MappingProxyType(
    {
        "zero": 0, "oh": 0, "naught": 0, "one": 1, "two": 2, "three": 3, "tree": 3, "four": 4, "fower": 4,
        "five": 5, "fife": 5, "six": 6, "seven": 7, "eight": 8, "nine": 9, "niner": 9,
    }
)  # fmt: skip
"""Words for single digits; for speaking, the first word of each value counts."""

DIGIT_NAMES = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
"""What each digit is called when it is read back."""

TEENS: Mapping[str, int] = MappingProxyType(
    {
        "ten": 10, "eleven": 11, "twelve": 12, "thirteen": 13, "fourteen": 14, "fifteen": 15, "sixteen": 16,
        "seventeen": 17, "eighteen": 18, "nineteen": 19,
    }
)  # fmt: skip

TENS: Mapping[str, int] = MappingProxyType(
    {
        "twenty": 20, "thirty": 30, "forty": 40, "fifty": 50, "sixty": 60, "seventy": 70, "eighty": 80, "ninety": 90,
    }
)  # fmt: skip

HUNDRED = ("hundred",)
THOUSAND = ("thousand", "tousand")
POINT = ("point", "decimal")
BAR = "slash"
"""In numbers, as they are typed: "three slash four" is three quarters."""
SIGNS: Mapping[str, int] = MappingProxyType({"minus": -1, "negative": -1, "plus": 1})
REPEATS: Mapping[str, int] = MappingProxyType({"double": 2, "triple": 3})
"""In spelled names: "double four" is 44."""

FRACTIONS: Mapping[str, int] = MappingProxyType(
    {
        "half": 2, "halves": 2, "third": 3, "thirds": 3, "quarter": 4, "quarters": 4, "fifth": 5, "fifths": 5,
        "sixth": 6, "sixths": 6, "eighth": 8, "eighths": 8, "tenth": 10, "tenths": 10, "twelfth": 12, "twelfths": 12,
        "sixteenth": 16, "sixteenths": 16, "hundredth": 100, "hundredths": 100, "thousandth": 1000,
        "thousandths": 1000,
    }
)  # fmt: skip
"""Denominators."""

LETTERS: Mapping[str, str] = MappingProxyType(
    {"oh": "O", "zed": "Z"} | {letter: letter.upper() for letter in "abcdefghijklmnpqrstuvwxyz"}
)
"""Letters by themselves; "oh" may be the letter or the digit."""

ICAO: Mapping[str, str] = MappingProxyType(
    {
        "alfa": "A", "bravo": "B", "charlie": "C", "delta": "D", "echo": "E", "foxtrot": "F", "golf": "G",
        "hotel": "H", "india": "I", "juliett": "J", "kilo": "K", "lima": "L", "mike": "M", "november": "N",
        "oscar": "O", "papa": "P", "quebec": "Q", "romeo": "R", "sierra": "S", "tango": "T", "uniform": "U",
        "victor": "V", "whiskey": "W", "x-ray": "X", "yankee": "Y", "zulu": "Z",
    }
)  # fmt: skip

MARKS: Mapping[str, str] = MappingProxyType({"dash": "-", "hyphen": "-", "slash": "/", "stroke": "/", "dot": "."})

MONTHS: Mapping[str, int] = MappingProxyType(
    {
        "january": 1, "february": 2, "march": 3, "april": 4, "may": 5, "june": 6, "july": 7, "august": 8,
        "september": 9, "october": 10, "november": 11, "december": 12,
    }
)  # fmt: skip

ORDINALS: Mapping[str, int] = MappingProxyType(
    {
        "first": 1, "second": 2, "third": 3, "fourth": 4, "fifth": 5, "sixth": 6, "seventh": 7, "eighth": 8,
        "ninth": 9, "tenth": 10, "eleventh": 11, "twelfth": 12, "thirteenth": 13, "fourteenth": 14, "fifteenth": 15,
        "sixteenth": 16, "seventeenth": 17, "eighteenth": 18, "nineteenth": 19, "twentieth": 20, "thirtieth": 30,
    }
)  # fmt: skip

NUMBER_WORDS: frozenset[str] = frozenset({*DIGITS, *TEENS, *TENS, *HUNDRED, *THOUSAND, *POINT, *SIGNS, *FRACTIONS, BAR})
"""Words that make a number; where one is left over, the number is not taken."""

CONNECTIVES: frozenset[str] = frozenset({"and", "a", "an", "of"})
"""Words that may stand inside a number ("a hundred and five", "three quarters of a")."""

SPELLING: frozenset[str] = frozenset({*LETTERS, *ICAO, *DIGITS, *TEENS, *TENS, *MARKS, *REPEATS})

LINKS: tuple[str, ...] = ("is", "are", "reads", "at", "equals", "shows", "of", "now", "is now", "is at")
"""What people say between a name and its value."""

JOINERS: tuple[str, ...] = ("and", "then", "now", "next", "the", "okay", "so")
"""What people say before a statement, without meaning."""

DENIALS: frozenset[str] = frozenset({"not", "no", "never", "without"})
"""Words that turn the meaning of what follows: where one stands unexplained before a statement, it is not taken."""

OPENERS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "correction": ("correction",),
        "disregard": ("disregard that", "disregard"),
        "say_again": ("say again",),
        "confirm": ("confirm", "confirmed"),
        "read_back": ("read back",),
        "what_is_missing": ("what is missing", "what's missing"),
        "note": ("note", "remark"),
        "photo": ("photo", "photograph", "picture", "take a photo", "take a picture"),
        "stage": ("stage", "begin stage", "start stage", "begin", "start"),
        "sign_off": ("sign off", "signed off", "signing off", "signed"),
        "instrument": ("using", "instrument"),
        "turn": ("turn", "turned", "move", "moved"),
        "fitted": ("fitted", "installed"),
        "removed": ("removed", "taken out"),
    }
)
"""Words that open (for parts: also close) a statement; the first form is the one in documentation."""

OLD, NEW = "old", "new"
BOTH, ALL = "both", "all"
LOT: tuple[str, ...] = ("lot", "lot number", "batch", "batch number")
SERIAL: tuple[str, ...] = ("serial", "serial number", "number")
DUE: tuple[str, ...] = ("calibration due", "due", "calibrated until", "valid until")

SAME: Mapping[str, str] = MappingProxyType(
    {
        "o": "oh", "nought": "naught", "ought": "naught", "alpha": "alfa", "juliet": "juliett", "whisky": "whiskey",
        "xray": "x-ray", "zee": "z", "fourths": "quarters", "ok": "okay", "gage": "gauge", "centred": "centered",
        "millimeter": "millimetre", "millimeters": "millimetres", "centimeter": "centimetre",
        "centimeters": "centimetres", "meter": "metre", "meters": "metres", "micrometer": "micrometre",
        "micrometers": "micrometres", "liter": "litre", "liters": "litres", "anti-clockwise": "anticlockwise",
        "counter-clockwise": "counterclockwise", "pressurized": "pressurised", "depressurized": "depressurised",
        "repressurized": "repressurised",
    }
)  # fmt: skip
"""Other spellings of the same word, with the one used inside."""

WRITTEN: Mapping[str, str] = MappingProxyType(
    {
        "psi": "p s i", "bar": "bar", "mbar": "millibar", "pa": "pascals", "hpa": "hectopascals", "kpa": "kilopascals",
        "mpa": "megapascals", "inh2o": "inches of water", "mmh2o": "millimetres of water",
        "cmh2o": "centimetres of water", "mm": "millimetres", "cm": "centimetres", "um": "microns",
        "\u03bcm": "microns", "thou": "thou", "nm": "newton metres", "n.m": "newton metres",
        "n\u00b7m": "newton metres", "ncm": "newton centimetres", "n\u00b7cm": "newton centimetres",
        "in\u00b7lbf": "inch pounds", "ft\u00b7lbf": "foot pounds", "deg": "degrees", "\u00b0": "degrees",
        "\u00b0c": "degrees celsius", "sec": "seconds", "min": "minutes", "l/min": "litres per minute",
    }
)  # fmt: skip
"""Units as they are written, in lower case, with how they are said."""

PRONUNCIATIONS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "a": ("AH0", "EY1"),
        "anticlockwise": ("AE2 N T IY0 K L AA1 K W AY2 Z",),
        "fower": ("F OW1 ER0",),
        "hectopascal": ("HH EH1 K T OW0 P AE2 S K AH0 L",),
        "hectopascals": ("HH EH1 K T OW0 P AE2 S K AH0 L Z",),
        "juliett": ("JH UW1 L IY0 EH2 T",),
        "kilopascal": ("K IH1 L AH0 P AE2 S K AH0 L",),
        "kilopascals": ("K IH1 L AH0 P AE2 S K AH0 L Z",),
        "litre": ("L IY1 T ER0",),
        "litres": ("L IY1 T ER0 Z",),
        "megapascal": ("M EH1 G AH0 P AE2 S K AH0 L",),
        "megapascals": ("M EH1 G AH0 P AE2 S K AH0 L Z",),
        "micrometre": ("M AY1 K R OW0 M IY2 T ER0",),
        "micrometres": ("M AY1 K R OW0 M IY2 T ER0 Z",),
        "millibars": ("M IH1 L AH0 B AA2 R Z",),
        "pascal": ("P AE1 S K AH0 L", "P AE2 S K AE1 L"),
        "pascals": ("P AE1 S K AH0 L Z", "P AE2 S K AE1 L Z"),
        "thou": ("TH AW1",),
        "tousand": ("T AW1 Z AH0 N D",),
        "twelfths": ("T W EH1 L F TH S", "T W EH1 L F S"),
        "what's": ("W AH1 T S",),
    }
)
"""ARPAbet for words of these tables and of the units that the CMU dictionary lacks or says otherwise."""

NOTE_WORDS: tuple[str, ...] = (
    "again", "ask", "before", "bent", "black", "blue", "broken", "change", "check", "clean", "corrosion", "customer",
    "damage", "damaged", "dirt", "dirty", "dry", "grease", "green", "hose", "hot", "inside", "later", "left", "light",
    "long", "loose", "maker", "mark", "more", "old", "order", "outside", "owner", "red", "replace", "rest", "right",
    "rust", "salt", "sand", "scratch", "service", "short", "small", "sound", "spare", "thread", "tight", "tool",
    "under", "very", "wait", "wear", "wet", "white", "worn", "wrong", "yellow",
)  # fmt: skip
"""Words that a workshop note is likely to hold: for the recogniser only, a note may hold any word."""

UNKNOWN = "[unk]"
"""The recogniser's word for a sound that is none of its words."""


def digits_aloud(value: Decimal | str) -> str:
    """A number, or a text of digits, digit by digit (ICAO Annex 10, volume II, 5.2.1.4, from memory): "1.05" is "one
    decimal zero five"."""
    text = value if isinstance(value, str) else format(value, "f")
    return " ".join({"-": "minus", ".": "decimal"}.get(char) or DIGIT_NAMES[int(char)] for char in text)
