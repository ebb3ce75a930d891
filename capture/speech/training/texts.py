"""Sentences to be spoken for training: readings, counter moves, parts, spelling, conversation, and words at random.

Only a source of variety for the acoustic model; what a job can say is decided by its own procedure at run time.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

DIGITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
RADIO = {"zero": "oh", "nine": "niner", "three": "tree", "five": "fife"}
TEENS = ["ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"]
TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
LETTERS = [
    "a",
    "b",
    "c",
    "d",
    "e",
    "f",
    "g",
    "h",
    "i",
    "j",
    "k",
    "l",
    "m",
    "n",
    "o",
    "p",
    "q",
    "r",
    "s",
    "t",
    "u",
    "v",
    "w",
    "x",
    "y",
    "z",
]
SPELLING = [
    "alpha",
    "bravo",
    "charlie",
    "delta",
    "echo",
    "foxtrot",
    "golf",
    "hotel",
    "india",
    "juliet",
    "kilo",
    "lima",
    "mike",
    "november",
    "oscar",
    "papa",
    "quebec",
    "romeo",
    "sierra",
    "tango",
    "uniform",
    "victor",
    "whiskey",
    "x-ray",
    "yankee",
    "zulu",
]
UNITS = [
    "p s i",
    "p s i",
    "p s i",
    "bar",
    "millibar",
    "kilopascal",
    "kilopascals",
    "inches",
    "inch",
    "inches of water",
    "inches water",
    "centimetres of water",
    "millimetres of water",
    "millimetres",
    "millimetre",
    "centimetres",
    "turns",
    "turn",
    "degrees",
    "newton metres",
    "inch pounds",
    "pounds",
    "percent",
    "seconds",
    "litres per minute",
]
READINGS = [
    "lever height",
    "supply pressure",
    "intermediate pressure",
    "opening effort",
    "cracking effort",
    "cracking pressure",
    "opening pressure",
    "lever tip",
    "lever",
    "inlet pressure",
    "outlet pressure",
    "spring height",
    "seat depth",
    "flow",
    "leak rate",
    "temperature",
    "torque",
    "exhalation effort",
    "inhalation effort",
    "hose pressure",
    "lock up",
    "lock up pressure",
    "creep",
    "ambient pressure",
    "set point",
    "gap",
    "clearance",
    "left lever",
    "right lever",
    "first lever",
    "second lever",
    "peak",
    "rest height",
]
STAGES = [
    "as received",
    "as found",
    "disassembled",
    "assembled",
    "before pressure",
    "unpressurised",
    "pressurised",
    "after pressure",
    "tuned",
    "after tuning",
    "covered",
    "cover on",
    "closed up",
    "repeat",
    "depressurised",
    "repressurised",
    "final",
    "release",
    "cleaning",
    "inspection",
    "rebuilt",
]
PARTS = [
    "o ring",
    "seat",
    "spring",
    "lever",
    "diaphragm",
    "exhaust valve",
    "orifice",
    "nut",
    "retaining nut",
    "washer",
    "spacer",
    "pin",
    "spring pin",
    "filter",
    "cover",
    "purge button",
    "mouthpiece",
    "clamp",
    "poppet",
    "valve",
    "valve seat",
    "end cap",
    "case",
    "hose",
    "swivel",
    "piston",
    "body",
    "shim",
    "gasket",
    "screw",
    "clip",
    "retainer",
    "bushing",
    "sleeve",
    "adjusting knob",
    "stem",
    "disc",
    "circlip",
    "seal",
    "cap",
    "ring",
    "strainer",
    "plug",
]
COMMANDS = [
    "correction",
    "disregard",
    "say again",
    "confirm",
    "confirmed",
    "read back",
    "what is missing",
    "photo",
    "photograph",
    "take photo",
    "picture",
    "note",
    "yes",
    "no",
    "next",
    "next stage",
    "stage",
    "undo",
    "cancel",
    "stop",
    "start",
    "pause",
    "resume",
    "finish",
    "done",
    "end note",
    "repeat",
    "help",
    "affirm",
    "negative",
    "wilco",
    "roger",
    "status",
    "summary",
    "new job",
    "close job",
    "open job",
    "sign off",
    "go back",
    "that is wrong",
    "wrong",
    "right",
    "okay",
    "ready",
    "show photo",
    "listen",
    "begin",
    "end",
    "skip",
    "what is next",
    "how many",
    "where am i",
    "accept",
    "reject",
    "save",
    "go on",
    "continue",
    "mark",
    "hold",
]
OBSERVATIONS = [
    "clean",
    "dirty",
    "worn",
    "corroded",
    "scratched",
    "cracked",
    "damaged",
    "good",
    "bad",
    "pass",
    "fail",
    "passed",
    "failed",
    "present",
    "missing",
    "tight",
    "loose",
    "straight",
    "tilted",
    "upright",
    "smooth",
    "rough",
    "no leak",
    "leak",
    "leaking",
    "bubbles",
    "no bubbles",
    "greased",
    "lubricated",
    "inspected",
    "cleaned",
    "centred",
    "centered",
    "bent",
    "torn",
    "swollen",
    "hard",
    "pitted",
    "sharp",
    "blocked",
    "clear",
    "undamaged",
    "okay",
    "not okay",
    "verdigris",
    "salt",
    "sand",
    "dry",
]
ASKS = [
    "seat",
    "lever",
    "diaphragm",
    "orifice",
    "case",
    "threads",
    "o ring",
    "exhaust valve",
    "hose",
    "spring",
    "edge",
    "seal",
    "body",
    "filter",
    "cover",
]
FRACTIONS = [
    "half",
    "quarter",
    "three quarters",
    "twelfth",
    "third",
    "two thirds",
    "eighth",
    "sixth",
    "three eighths",
    "tenth",
    "sixteenth",
    "five sixths",
    "five eighths",
    "seven eighths",
    "fifth",
]
PRONOUNS = [
    "the",
    "a",
    "an",
    "to",
    "is",
    "at",
    "of",
    "and",
    "in",
    "for",
    "it",
    "on",
    "with",
    "by",
    "from",
    "was",
    "now",
    "reads",
    "reading",
    "shows",
    "equals",
    "about",
]

Maker = Callable[[random.Random], str]


def digits(r: random.Random, n: int, radio: float = 0.15) -> list[str]:
    """``n`` digits one by one."""
    out = []
    use = r.random() < 2 * radio
    for _ in range(n):
        d = r.choice(DIGITS)
        out.append(RADIO[d] if d in RADIO and use and r.random() < 0.6 else d)
    return out


def tens(r: random.Random) -> str:
    """A number from 10 to 99."""
    k = r.random()
    if k < 0.3:
        return r.choice(TEENS)
    return r.choice(TENS) if k < 0.55 else f"{r.choice(TENS)} {r.choice(DIGITS[1:])}"


def whole(r: random.Random) -> str:
    """A whole number as people say it."""
    k = r.random()
    if k < 0.2:
        return r.choice(DIGITS)
    if k < 0.4:
        return tens(r)
    if k < 0.55:
        return f"{r.choice([*DIGITS[1:], 'a', 'a'])} hundred" + (r.choice([" ", " and "]) + tens(r)) * (
            r.random() < 0.8
        )
    if k < 0.7:
        return f"{r.choice(DIGITS[1:])} {tens(r)}"
    if k < 0.75:
        return f"{r.choice(['a', *DIGITS[1:]])} hundred and {r.choice(DIGITS[1:])}"
    if k < 0.8:
        return f"{r.choice(DIGITS[1:] + TEENS)} thousand" + f" {r.choice(DIGITS[1:])} hundred" * (r.random() < 0.6)
    return " ".join(digits(r, r.choice([2, 3, 3, 3, 4, 4, 5])))


def decimal(r: random.Random) -> str:
    """A decimal fraction."""
    before = r.choice([*DIGITS, *DIGITS, "", "", tens(r), "oh"])
    return (
        f"{before} {r.choice(['point'] * 8 + ['decimal'] * 2)} {' '.join(digits(r, r.choice([1, 1, 2, 2, 3])))}".strip()
    )


def fraction(r: random.Random) -> str:
    """A vulgar fraction with or without a whole part."""
    f = r.choice(FRACTIONS)
    part = f if f.split()[0] in ("two", "three", "five", "seven") else f"{r.choice(['a', 'a', 'one'])} {f}"
    k = r.random()
    if k < 0.4:
        return part
    return f"{r.choice(DIGITS[1:] + TEENS[:3])} and {part}"


def number(r: random.Random) -> str:
    """Any number."""
    text = r.choices([whole, decimal, fraction], [0.45, 0.4, 0.15])[0](r)
    return f"{r.choice(['minus', 'minus', 'plus'])} {text}" if r.random() < 0.06 else text


def reading(r: random.Random) -> str:
    """A reading: name, perhaps a stage, number, unit."""
    parts = [r.choice(READINGS)]
    if r.random() < 0.15:
        parts.append(r.choice(STAGES))
    if r.random() < 0.2:
        parts.append(r.choice(["is", "reads", "at", "now", "equals"]))
    parts.append(number(r))
    if r.random() < 0.85:
        parts.append(r.choice(UNITS))
    return " ".join(parts)


def move(r: random.Random) -> str:
    """A move of an adjuster."""
    what = r.choice(["orifice", "spring", "nut", "screw", "knob", "adjuster", "piston", "seat"])
    way = r.choice(["in", "out", "left", "right", "clockwise", "anticlockwise", "counterclockwise", "up", "down"])
    amount = r.choice(
        [
            f"{fraction(r)} {r.choice(['turn', 'turns', 'of a turn'])}",
            f"{whole(r)} degrees",
            f"{whole(r)} turns",
            "one turn",
        ]
    )
    return r.choice(
        [f"{what} {way} {amount}", f"{what} {amount} {way}", f"{amount} {way}", f"turn {what} {way} {amount}"]
    )


def part(r: random.Random) -> str:
    """A part fitted or removed, with or without its lot."""
    act = r.choice(["fitted", "removed", "replaced", "installed", "fit", "old", "new", "discarded", "cleaned"])
    text = r.choice(
        [f"{r.choice(PARTS)} {act}", f"{act} {r.choice(PARTS)}", f"{r.choice(PARTS)} {r.choice(DIGITS)} {act}"]
    )
    if r.random() < 0.5:
        text += f" {r.choice(['lot', 'lot', 'lot number', 'batch'])} {spelled(r)}"
    return text


def spelled(r: random.Random) -> str:
    """A serial or lot: letters, spelling alphabet, digits."""
    k = r.random()
    alphabet = SPELLING if k < 0.45 else LETTERS if k < 0.85 else SPELLING + LETTERS
    n = r.randint(2, 7)
    text = []
    for _ in range(n):
        text.append(r.choice(alphabet) if r.random() < 0.55 else digits(r, 1)[0])
    return " ".join(text)


def identity(r: random.Random) -> str:
    """An instrument or unit with its number."""
    what = r.choice(
        ["serial", "serial number", "gauge", "unit", "instrument", "model", "job", "technician", "asset", "tag"]
    )
    return f"{what} {spelled(r)}"


def talk(r: random.Random) -> str:
    """Conversation with the tool."""
    first = r.choice(COMMANDS)
    k = r.random()
    if k < 0.55:
        return first
    if k < 0.8:
        return f"{r.choice(['correction', 'confirm', 'note', 'read back', 'say again', 'photo'])} {reading(r)}"
    return f"{first} {r.choice(COMMANDS + STAGES + READINGS)}"


def check(r: random.Random) -> str:
    """An observation, or a stage."""
    if r.random() < 0.3:
        return f"{r.choice(['stage ', '', 'now ', 'start '])}{r.choice(STAGES)}"
    return f"{r.choice(ASKS)} {r.choice(['', 'is ', 'not '])}{r.choice(OBSERVATIONS)}"


def bare(r: random.Random) -> str:
    """Numbers or single words by themselves."""
    k = r.random()
    if k < 0.35:
        return number(r)
    if k < 0.55:
        return " ".join(digits(r, r.randint(1, 6)))
    if k < 0.7:
        return f"{number(r)} {r.choice(UNITS)}"
    if k < 0.8:
        return " ".join(r.choice(LETTERS + SPELLING) for _ in range(r.randint(1, 5)))
    return " ".join(r.choice(TEENS + TENS) for _ in range(r.randint(1, 4)))


MAKERS: tuple[tuple[Maker, float], ...] = (
    (reading, 0.24),
    (move, 0.1),
    (part, 0.12),
    (identity, 0.16),
    (talk, 0.08),
    (check, 0.07),
    (bare, 0.23),
)


def words_in(*tables: Sequence[str]) -> set[str]:
    """All words of some tables of phrases."""
    return {w for t in tables for phrase in t for w in phrase.split()}


def vocabulary() -> set[str]:
    """Every word that the sentences of the trade can contain: always trained as themselves, never as garbage."""
    r = random.Random(0)
    out = words_in(DIGITS, TEENS, TENS, LETTERS, SPELLING, UNITS, READINGS, STAGES, PARTS, COMMANDS, OBSERVATIONS, ASKS)
    out |= words_in(FRACTIONS, list(RADIO.values()))
    for maker, _ in MAKERS:
        for _ in range(3000):
            out |= set(maker(r).split())
    return out


def sentence(r: random.Random, words: Sequence[str]) -> str:
    """One sentence: of the trade, of its words at random, or of any ``words`` at random."""
    k = r.random()
    if k < 0.62:
        return r.choices([m for m, _ in MAKERS], [w for _, w in MAKERS])[0](r)
    if k < 0.72:
        pool = sorted(words_in(READINGS, STAGES, PARTS, COMMANDS, OBSERVATIONS, UNITS, TEENS, TENS, DIGITS, FRACTIONS))
        return " ".join(r.choice(pool) for _ in range(r.randint(2, 6)))
    n = r.randint(2, 8)
    return " ".join(r.choice(words) if r.random() < 0.75 else r.choice(PRONOUNS) for _ in range(n))
