"""The decoding graph: a word network and pronunciations made into one transducer from network outputs to words.

For each state of the word network the pronunciations of its words are laid out as a prefix tree, with optional silence
after every word; phones become transitions of the acoustic model (Mohri, Pereira and Riley, "Speech recognition
with weighted finite-state transducers", 2008). No compiler and no OpenFst are needed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from .fst import Arc
from .language import UNKNOWN, WordNetwork
from .lexicon import Pronunciation
from .phones import GARBAGE, MARKED, PHONE_NUMBER, SILENCE, enter, mark, stay

SILENCE_COST = -math.log(0.5)


@dataclass(frozen=True)
class Graph:
    """A transducer ready to be written, and the words that its output labels stand for."""

    states: int
    start: int
    arcs: list[Arc]
    finals: dict[int, float]
    words: tuple[str, ...]


class _Builder:
    """Lays out one word network."""

    def __init__(self, network: WordNetwork, lexicon: Mapping[str, Sequence[Pronunciation]]) -> None:
        self.network = network
        self.words = ("<eps>", *sorted(network.words))
        self.label = {w: i for i, w in enumerate(self.words)}
        ways = {w: [mark(p) for p in lexicon[w]] for w in network.words - {UNKNOWN}} | {UNKNOWN: [mark((GARBAGE,))]}
        self.steps = {w: [[(enter(p), stay(p)) for p in way] for way in marked] for w, marked in ways.items()}
        self.arcs: list[Arc] = []
        self.count = 2 * len(network.edges)  # a state s is entered from a word at 2s, from silence at 2s + 1
        self.silence = PHONE_NUMBER[SILENCE]

    def state(self) -> int:
        """A new state."""
        self.count += 1
        return self.count - 1

    def lay(self, state: int) -> None:
        """All words that may come in a state, the optional silence before them, and the way to shorter contexts."""
        spoken, silent = 2 * state, 2 * state + 1
        self.arcs.append((spoken, silent, enter(self.silence), 0, SILENCE_COST))
        self.arcs.append((silent, silent, stay(self.silence), 0, 0.0))
        tree: dict[tuple[int, int], int] = {}
        root = self.state()
        arcs, count, steps = self.arcs, self.count, self.steps
        arcs.append((spoken, root, 0, 0, SILENCE_COST))
        arcs.append((silent, root, 0, 0, 0.0))
        for word, cost, following in self.network.edges[state]:
            for way in steps[word]:
                at = root
                for begin, go_on in way:
                    new = tree.get((at, begin))
                    if new is None:
                        new = tree[at, begin] = count
                        count += 1
                        arcs.append((at, new, begin, 0, 0.0))
                        arcs.append((new, new, go_on, 0, 0.0))
                    at = new
                arcs.append((at, 2 * following, 0, self.label[word], cost))
        self.count = count
        back = self.network.backoff[state]
        if back:
            self.arcs.append((root, self.roots[back[0]], 0, 0, back[1]))
        self.roots[state] = root

    def build(self) -> Graph:
        """The whole graph; states are laid in order, shorter contexts first."""
        self.roots: dict[int, int] = {}
        finals: dict[int, float] = {}
        for state in range(len(self.network.edges)):
            self.lay(state)
        for state, cost in self.network.final.items():
            finals[self.roots[state]] = cost
        return Graph(self.count, 2 * self.network.start, self.arcs, finals, self.words)


def build(network: WordNetwork, lexicon: Mapping[str, Sequence[Pronunciation]]) -> Graph:
    """The decoding graph of a word network; ``lexicon`` must have every word but the garbage word."""
    return _Builder(network, lexicon).build()


def words_table(graph: Graph) -> str:
    """Text of ``words.txt``."""
    return "".join(f"{w} {i}\n" for i, w in enumerate(graph.words))


def boundary_table() -> str:
    """Text of ``word_boundary.int``: where in a word each phone stands."""
    place = {"B": "begin", "E": "end", "I": "internal", "S": "singleton"}
    rows = []
    for number, name in enumerate(MARKED, 1):
        rows.append(f"{number} {'nonword' if name == SILENCE else place[name.rsplit('_', 1)[1]]}\n")
    return "".join(rows)
