"""What is said when hearing is measured: sentences of a procedure by kind, and talk that is not for the tool."""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from capture.phrases import sentences
from capture.phrases.statements import (
    CheckSaid,
    CorrectionSaid,
    IdentitySaid,
    InstrumentSaid,
    PartSaid,
    ReadingSaid,
    Refused,
    Said,
    TurnSaid,
)
from capture.procedure.model import Procedure

DECIMALS, TEENS, PLAIN = "decimals", "teens and tens", "other numbers"
TURNS, SPELLED, CORRECTIONS = "fractions of a turn", "serials, lots", "corrections"
OTHERS = "checks, parts", "stages, commands"
SHARES: Mapping[str, int] = {
    DECIMALS: 24, TEENS: 14, PLAIN: 16, TURNS: 14, SPELLED: 12, CORRECTIONS: 12, OTHERS[0]: 4, OTHERS[1]: 4,
}  # fmt: skip
"""How many of a hundred sentences are of each kind: 92 carry a number, a turn, a spelled name or a correction."""


@dataclass(frozen=True)
class Line:
    """One sentence to be spoken: its words and its kind."""

    words: str
    kind: str


def kind_of(words: str, statement: Said) -> str:
    """The kind of a sentence."""
    said = words.split()
    if isinstance(statement, CorrectionSaid):
        return CORRECTIONS
    if isinstance(statement, TurnSaid):
        return TURNS
    if isinstance(statement, IdentitySaid | InstrumentSaid) or (isinstance(statement, PartSaid) and statement.lot):
        return SPELLED
    if isinstance(statement, CheckSaid | PartSaid):
        return OTHERS[0]
    if not isinstance(statement, ReadingSaid):
        return OTHERS[1]
    if any(word in ("point", "decimal") for word in said):
        return DECIMALS
    return TEENS if any(word.endswith(("teen", "ty")) for word in said) else PLAIN


def lines(procedure: Procedure, count: int, seed: int) -> list[Line]:
    """Sentences of a procedure in the given shares, in a random order, none twice.

    Left out is what a synthesiser would not say as it is meant: the lone letter "a", which becomes the article.
    """
    pools: dict[str, dict[str, None]] = defaultdict(dict)
    for words, statement in sentences(procedure, seed=seed, count=count * 25):
        spelled = isinstance(statement, IdentitySaid | InstrumentSaid | PartSaid) and "a" in words.split()
        if not isinstance(statement, Refused) and not spelled:
            pools[kind_of(words, statement)][words] = None
    rng = random.Random(seed)
    chosen = [
        Line(words, kind)
        for kind, share in SHARES.items()
        for words in rng.sample(list(pools[kind]), min(len(pools[kind]), max(1, count * share // 100)))
    ]
    rng.shuffle(chosen)
    return chosen


_WHO = ("my brother", "the postman", "our neighbour", "the apprentice", "that customer", "she", "nobody", "the boss")
_DID = (
    "left the van outside the gate", "wants his drill back by friday", "forgot to lock the back door last night",
    "is looking for the long ladder again", "said the weather would clear up", "bought far too much coffee",
    "cannot find the invoice from last week", "will be here around half past four", "never answers the telephone",
    "parked in front of the loading bay", "is off sick until thursday", "has been whistling all morning",
)  # fmt: skip
_ASIDES = (
    "could you pass me that rag please", "mind your fingers there", "turn the radio down a little would you",
    "where did I put my glasses", "I think the kettle is boiling", "we should sweep the floor before lunch",
    "no I told you it goes in the other drawer", "did you watch the match yesterday", "it smells of burnt rubber here",
    "the light over the bench is flickering again", "what time are you leaving today", "hand me the big screwdriver",
)  # fmt: skip
_NUMBERS = (
    "I paid thirty five for those gloves", "he lives at number one hundred and twelve", "my train goes at six fifteen",
    "we were two hours late on the fourth", "that makes forty three with the postage", "call me on extension two nine",
    "there are about a dozen left in the box", "they lost three one at home", "it was minus four this morning",
    "a quarter of them came back broken", "she turned fifty last month", "room sixteen is free after ten",
)  # fmt: skip
_NEAR = (
    "the {0} is what I always have trouble with", "did anybody order a new {0}", "I explained the {0} to him twice",
    "somebody should look at the {0} tomorrow", "in the old days the {0} was different", "my {0} at home leaks too",
    "he asked me what a {0} is for", "never touch the {0} without asking",
)  # fmt: skip


def chatter(procedure: Procedure, count: int, seed: int) -> list[str]:
    """Talk in a workshop that is not for the tool: a quarter each about anything, asides, talk with numbers in it, and
    talk in which the procedure's own names occur."""
    rng = random.Random(seed)
    named = [*procedure.readings, *procedure.counters, *procedure.checks, *procedure.parts, *procedure.instruments]
    things = [item.spoken[0] for item in named]
    made = []
    for i in range(count):
        match i % 4:
            case 0:
                made.append(f"{rng.choice(_WHO)} {rng.choice(_DID)}")
            case 1:
                made.append(f"{rng.choice(_ASIDES)} {rng.choice(('', '', 'thanks', 'okay', 'and be quick'))}".strip())
            case 2:
                made.append(f"{rng.choice(('well', 'you know', 'anyway', 'listen'))} {rng.choice(_NUMBERS)}")
            case _:
                made.append(rng.choice(_NEAR).format(rng.choice(things)))
    return made


def halves(words: Sequence[str], rng: random.Random) -> tuple[tuple[str, ...], ...]:
    """Words parted where people draw breath: into two, long ones into three pieces."""
    pieces = 2 if len(words) < 8 else rng.choice((2, 3))
    cuts = sorted(rng.sample(range(1, len(words)), min(pieces - 1, len(words) - 1)))
    edges = [0, *cuts, len(words)]
    return tuple(tuple(words[a:b]) for a, b in pairwise(edges))
