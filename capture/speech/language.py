"""What can be said, as a network of words with costs: a class-based n-gram without opinions about values.

Example sentences teach which words follow which. Words whose choice *is* the value (digits, teens, tens, letters of
both alphabets, ...) are kept in classes: the model knows that a digit comes next, never which one, so that it cannot
pull a reading towards those that happened to be in the examples. Unseen orders remain possible through back-off, and a
garbage word takes what belongs to no word.

Method: class n-grams (Brown et al., 1992) smoothed by interpolation (Witten and Bell, 1991), written as a back-off
automaton (Katz, 1987).
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from .errors import VocabularyError

UNKNOWN = "[unk]"
START, END = "<s>", "</s>"

_DIGITS = [
    "zero",
    "oh",
    "one",
    "two",
    "three",
    "tree",
    "four",
    "fower",
    "five",
    "fife",
    "six",
    "seven",
    "eight",
    "nine",
    "niner",
]
_TEENS = ["ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"]
_TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
_PARTS = ["third", "fifth", "sixth", "eighth", "ninth", "tenth", "twelfth", "sixteenth"]
_SOME = ["thirds", "fifths", "sixths", "eighths", "ninths", "tenths", "twelfths", "sixteenths"]
_LETTERS = [*"abcdefghijklmnopqrstuvwxyz", "zed"]
_SPELLING = [
    "alpha",
    "alfa",
    "bravo",
    "charlie",
    "delta",
    "echo",
    "foxtrot",
    "golf",
    "hotel",
    "india",
    "juliet",
    "juliett",
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
    "whisky",
    "x-ray",
    "yankee",
    "zulu",
]
_MONTHS = [
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
]
_DAYS = [
    "fourth",
    "seventh",
    "eleventh",
    "thirteenth",
    "fourteenth",
    "fifteenth",
    "seventeenth",
    "eighteenth",
    "nineteenth",
    "twentieth",
    "thirtieth",
]
"""The days of a month that are neither a direction ("first") nor a part ("third")."""
_DIRECTIONS = (
    ("in", "out"),
    ("left", "right"),
    ("clockwise", "anticlockwise", "counterclockwise"),
    ("up", "down"),
    ("fitted", "removed"),
    ("yes", "no"),
    ("pass", "fail"),
    ("passed", "failed"),
    ("good", "bad"),
    ("first", "second"),
)

VALUE_CLASSES: tuple[tuple[str, ...], ...] = (
    tuple(_DIGITS),
    tuple(_TEENS),
    tuple(_TENS),
    tuple(_PARTS),
    tuple(_SOME),
    tuple(_LETTERS),
    tuple(_SPELLING),
    tuple(_MONTHS),
    tuple(_DAYS),
    *_DIRECTIONS,
)
"""English words whose choice is the value: within a class the language model is uniform over those in use."""

History = tuple[str, ...]


class Edge(NamedTuple):
    """A word that may come next: its cost (natural logarithm) and the state after it."""

    word: str
    cost: float
    next: int


@dataclass(frozen=True)
class WordNetwork:
    """States with edges; ``backoff`` gives a state's cheaper-context state and the cost of going there."""

    edges: tuple[tuple[Edge, ...], ...]
    backoff: tuple[tuple[int, float] | None, ...]
    final: Mapping[int, float]
    start: int
    words: frozenset[str]

    def cost(self, sentence: Sequence[str]) -> float:
        """Cost of a sentence: the least over all ways; infinite if impossible."""
        costs = self._settle({self.start: 0.0})
        for w in sentence:
            after: dict[int, float] = {}
            for s, c in costs.items():
                for e in self.edges[s]:
                    if e.word == w:
                        after[e.next] = min(after.get(e.next, math.inf), c + e.cost)
            costs = self._settle(after)
        return min((c + self.final[s] for s, c in costs.items() if s in self.final), default=math.inf)

    def _settle(self, costs: dict[int, float]) -> dict[int, float]:
        todo = list(costs)
        while todo:
            s = todo.pop()
            back = self.backoff[s]
            if back and costs[s] + back[1] < costs.get(back[0], math.inf):
                costs[back[0]] = costs[s] + back[1]
                todo.append(back[0])
        return costs


@dataclass(frozen=True)
class Weights:
    """Settings of the language model, found on training-side speech."""

    order: int = 4
    unknown: float = 0.02
    """Probability of the garbage word in the emptiest context."""
    scale: float = 1.0
    """Costs are multiplied by this before they meet the acoustic scores."""
    unseen: float = 0.5
    """Added to the counts of every word of the vocabulary in the emptiest context."""
    slip: float = 3.0
    """Cost of "oh" for zero, besides its own: a single vowel slips in wherever one trails off."""
    noise: float = 0.05
    """Probability that there is no word in the sound, be it silent or not: what fits words hardly better than it fits
    silence or any other sound is noise."""
    pure: bool = field(default=False)
    """Only the orders seen in the examples: no back-off and no garbage."""


class Classes:
    """Words to classes and back."""

    def __init__(self, words: Iterable[str], classes: Iterable[Sequence[str]] = VALUE_CLASSES) -> None:
        """Keep the classes that have members among ``words``; every other word is its own class."""
        self.members: dict[str, list[str]] = {}
        self.of: dict[str, str] = {}
        words = set(words)
        for group in classes:
            present = [w for w in group if w in words and w not in self.of]
            if len(present) > 1:
                name = f"<{present[0]}>"
                self.members[name] = present
                self.of.update(dict.fromkeys(present, name))
        for w in sorted(words):
            if w not in self.of:
                self.of[w], self.members[w] = w, [w]
        self.month = self.of.get(_MONTHS[0])
        """The class of the months; "november" is in two."""
        if self.month is not None and "november" in words and self.of["november"] != self.month:
            self.members[self.month] = [*self.members[self.month], "november"]


_YEARS = (("twenty", None), ("two", "thousand"))
"""How years begin."""


def _is_month(s: Sequence[str], i: int) -> bool:
    """Whether "november" at ``i`` is the month, not the letter: a day or a year stands beside it."""
    before, after, then = (s[j] if 0 <= j < len(s) else "" for j in (i - 1, i + 1, i + 2))
    day = after in ("the", *_DAYS) or before in ("of", *_DAYS)
    return day or any(after == one and two in (None, then) for one, two in _YEARS)


IDIOM_COUNT = 6
IDIOM_LIFT = 5.0
NUMBER_SIGNS = ("point", "decimal")


def symbols(sentences: Sequence[Sequence[str]], classes: Classes) -> list[list[str]]:
    """Sentences with words replaced by their classes, except where a letter or "oh" is no value but part of a name.

    "p s i", "oh ring" or the article in "a half turn" would otherwise stand for any letters and digits. A letter counts
    as part of a name where a neighbour calls for just this letter far more often than for others of its class.
    """
    named = {w for w in (*_LETTERS, "oh") if w in classes.of and len(classes.members[classes.of[w]]) > 1}
    pairs: Counter[tuple[str, str]] = Counter()
    for s in sentences:
        for a, b in pairwise(s):
            pairs[a, b] += 1
            if a in named:
                pairs[classes.of[a], b] += 1
            if b in named:
                pairs[a, classes.of[b]] += 1

    def calls(pair: int, whole: int, size: int) -> bool:
        return pair >= IDIOM_COUNT and pair * size >= IDIOM_LIFT * whole

    def symbol(s: Sequence[str], i: int) -> str:
        w = s[i]
        group = classes.of[w]
        if w == "november" and classes.month is not None and _is_month(s, i):
            return classes.month
        if w not in named:
            return group
        size = len(classes.members[group])
        after = s[i + 1] if i + 1 < len(s) else END
        right = after not in NUMBER_SIGNS and calls(pairs[w, after], pairs[group, after], size)
        left = w != "oh" and i > 0 and calls(pairs[s[i - 1], w], pairs[s[i - 1], group], size)
        return w if right or left else group

    return [[symbol(s, i) for i in range(len(s))] for s in sentences]


def _counts(sentences: Iterable[Sequence[str]], order: int) -> list[dict[History, Counter[str]]]:
    tables: list[dict[History, Counter[str]]] = [defaultdict(Counter) for _ in range(order)]
    for s, times in Counter(map(tuple, sentences)).items():
        row = (START, *s, END)
        for i in range(1, len(row)):
            for n in range(min(order, i + 1)):
                tables[n][row[i - n : i]][row[i]] += times
    return tables


def _probabilities(
    tables: list[dict[History, Counter[str]]], symbols: Sequence[str], weights: Weights, sizes: Mapping[str, int]
) -> tuple[dict[History, dict[str, float]], dict[History, float]]:
    """Interpolated probabilities of what was seen in each context, and what each context leaves to the shorter one."""
    base = {c: tables[0].get((), Counter())[c] + weights.unseen * sizes.get(c, 1) for c in symbols}
    total = sum(base.values())
    p: dict[History, dict[str, float]] = {(): {c: v / total * (1 - weights.unknown) for c, v in base.items()}}
    p[()][UNKNOWN] = weights.unknown
    left: dict[History, float] = {(): 0.0}
    for table in tables[1:]:
        for history, seen in table.items():
            kinds, n = len(seen), sum(seen.values())
            left[history] = kinds / (n + kinds)
            p[history] = {c: (k + kinds * _lookup(p, left, history[1:], c)) / (n + kinds) for c, k in seen.items()}
    return p, left


def _lookup(p: Mapping[History, Mapping[str, float]], left: Mapping[History, float], h: History, c: str) -> float:
    scale = 1.0
    while h not in p or c not in p[h]:
        if h in p:
            scale *= left[h]
        if not h:
            return 0.0
        h = h[1:]
    return scale * p[h][c]


def network(
    sentences: Iterable[Sequence[str]],
    extra_words: Iterable[str] = (),
    classes: Iterable[Sequence[str]] = VALUE_CLASSES,
    weights: Weights | None = None,
) -> WordNetwork:
    """The word network of example sentences; ``extra_words`` may occur anywhere though no example has them.

    Raises:
        VocabularyError: there is no word at all.
    """
    weights = weights or Weights()
    rows = [tuple(s) for s in sentences]
    words = {w for s in rows for w in s} | set(extra_words)
    words.discard(UNKNOWN)
    if not words:
        raise VocabularyError("The grammar has no words; hand over sentences or words.")
    cls = Classes(words, classes)
    written = symbols([[w for w in s if w in cls.of] for s in rows], cls)
    for name in sorted({c for s in written for c in s}):
        cls.members.setdefault(name, [name])
    tables = _counts(written, weights.order)
    sizes = {c: len(m) for c, m in cls.members.items()}
    p, left = _probabilities(tables, [*cls.members, END], weights, sizes)
    return _automaton(p, left, cls, weights)


def _automaton(
    p: Mapping[History, Mapping[str, float]], left: Mapping[History, float], cls: Classes, weights: Weights
) -> WordNetwork:
    number = {h: i for i, h in enumerate(sorted(p, key=lambda h: (len(h), h)))}

    def after(history: History, c: str) -> int:
        h = (*history, c)[-(weights.order - 1) :] if weights.order > 1 else ()
        while h not in number:
            h = h[1:]
        return number[h]

    edges: list[tuple[Edge, ...]] = []
    backoff: list[tuple[int, float] | None] = []
    final: dict[int, float] = {}
    for history, state in sorted(number.items(), key=lambda item: item[1]):
        row = []
        for c, value in p[history].items():
            cost = -math.log(max(value, 1e-12)) * weights.scale
            if c == END:
                final[state] = cost
            elif c == UNKNOWN:
                row.append(Edge(UNKNOWN, cost, after(history, c)))
            else:
                members = cls.members[c]
                share = math.log(len(members)) * weights.scale
                target = after(history, c)
                row += [Edge(w, cost + share, target) for w in members]
        edges.append(tuple(row))
        if history:
            shorter = history[1:]
            while shorter not in number:
                shorter = shorter[1:]
            rest = left[history] if not weights.pure else 0.0
            backoff.append((number[shorter], -math.log(rest) * weights.scale) if rest > 0 else None)
        else:
            backoff.append(None)
    if (START,) in number and not weights.pure:
        _or_noise(number[START,], edges, backoff, final, weights)
    words = frozenset(cls.of) | {UNKNOWN}
    return WordNetwork(tuple(edges), tuple(backoff), final, number.get((START,), number[()]), words)


def _or_noise(
    start: int,
    edges: list[tuple[Edge, ...]],
    backoff: list[tuple[int, float] | None],
    final: dict[int, float],
    weights: Weights,
) -> None:
    """Give the start an end of its own, and a way through nothing but noise after which no word comes."""
    speech = -math.log(1 - weights.noise) * weights.scale
    words = tuple(Edge(edge.word, edge.cost + speech, edge.next) for edge in edges[start])
    shorter = backoff[start]
    backoff[start] = shorter and (shorter[0], shorter[1] + speech)
    nothing = -math.log(weights.noise / 2) * weights.scale
    final[start] = nothing
    alone = len(edges)
    edges[start] = (*words, Edge(UNKNOWN, nothing, alone))
    edges.append(())
    backoff.append(None)
    final[alone] = 0.0


def only_noise() -> WordNetwork:
    """No word at all: what everything else is compared with."""
    return WordNetwork(((Edge(UNKNOWN, 0.0, 0),),), (None,), {0: 0.0}, 0, frozenset({UNKNOWN}))


def loop(words: Iterable[str], unknown: float = 0.05, penalty: float = 0.0) -> WordNetwork:
    """Any words in any order, all equally likely: the hearing that knows no phrases.

    Args:
        words: what may be said.
        unknown: probability of the garbage word.
        penalty: added to the cost of every word, against many short words for one long one.
    """
    listed = sorted(set(words) - {UNKNOWN})
    if not listed:
        raise VocabularyError("The grammar has no words; hand over sentences or words.")
    cost = -math.log((1 - unknown) / len(listed)) + penalty
    edges = [Edge(w, cost, 0) for w in listed] + [Edge(UNKNOWN, -math.log(unknown) + penalty, 0)]
    return WordNetwork((tuple(edges),), (None,), {0: 0.0}, 0, frozenset(listed) | {UNKNOWN})
