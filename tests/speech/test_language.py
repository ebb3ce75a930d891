"""The language model: no opinion about values, room for the unforeseen, and a graph that says the same."""

from __future__ import annotations

import math
import os
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.speech.errors import NoPronunciation, VocabularyError
from capture.speech.graph import build
from capture.speech.language import UNKNOWN, Weights, loop, network
from capture.speech.lexicon import Lexicon
from capture.speech.vocabulary import Vocabulary

SENTENCES = [
    s.split()
    for s in (
        "supply pressure one three five p s i",
        "supply pressure one four zero p s i",
        "lever height two point five millimetres",
        "lever height three millimetres",
        "correction lever height two millimetres",
        "what is missing",
        "confirm",
    )
]


def test_values_are_equally_likely() -> None:
    net = network(SENTENCES)
    costs = {net.cost(f"supply pressure one {a} {b} p s i".split()) for a in ("two", "four") for b in ("five", "zero")}
    assert max(costs) - min(costs) < 1e-9


def test_seen_orders_beat_unseen_ones_and_both_are_possible() -> None:
    net = network(SENTENCES)
    seen = net.cost(["supply", "pressure", "one", "three", "five", "p", "s", "i"])
    unseen = net.cost(["pressure", "supply", "five", "three", "one", "i", "s", "p"])
    assert seen < unseen < math.inf


def test_garbage_may_come_anywhere() -> None:
    net = network(SENTENCES)
    for at in range(4):
        words = ["lever", "height", "three"]
        words.insert(at, UNKNOWN)
        assert net.cost(words) < math.inf
    assert net.cost([UNKNOWN] * 5) < math.inf


def test_noise_alone_is_possible_and_no_word_follows_it() -> None:
    plain, quiet = network(SENTENCES), network(SENTENCES, weights=Weights(noise=1e-9))
    assert plain.cost([UNKNOWN]) == pytest.approx(-math.log(Weights().noise / 2))
    assert plain.cost([]) <= plain.cost([UNKNOWN])
    said = ["supply", "pressure", "one", "three", "five", "p", "s", "i"]
    assert plain.cost(said) == pytest.approx(quiet.cost(said) - math.log(1 - Weights().noise))
    assert plain.cost([UNKNOWN, *said]) > plain.cost(said)


def total(net: object, state: int) -> float:
    """Probability of all that can follow, with what is left for shorter contexts counted once."""
    n = network(SENTENCES)
    return sum(math.exp(-e.cost) for e in n.edges[state]) + math.exp(-n.final.get(state, math.inf))


def test_each_context_is_a_distribution() -> None:
    net = network(SENTENCES)
    assert total(net, 0) == pytest.approx(1.0, abs=1e-6)
    for state in range(1, len(net.edges)):
        assert 0 < total(net, state) <= 1 + 1e-6


@given(st.lists(st.sampled_from(["one", "two", "lever", "height", UNKNOWN]), min_size=1, max_size=5))
def test_loop_costs_only_count_words(words: list[str]) -> None:
    net = loop(["one", "two", "lever", "height"], unknown=0.2)
    assert net.cost(words) == pytest.approx(-math.log(0.2) * len(words))


def test_graph_spells_every_word() -> None:
    net = network(SENTENCES)
    graph = build(net, Lexicon().require(net.words - {UNKNOWN}))
    emitted = {graph.words[o] for _, _, _, o, _ in graph.arcs if o}
    assert emitted == net.words
    sources = {a[0] for a in graph.arcs} | set(graph.finals)
    reached = {a[1] for a in graph.arcs} | {graph.start}
    assert reached - sources == set(), "dead ends"
    assert max(reached) < graph.states


def test_words_nobody_can_say_are_named() -> None:
    with pytest.raises(NoPronunciation, match=r"'xqzt', 'zzyzzk'"):
        Vocabulary.of(["lever zzyzzk", "xqzt"])
    assert Vocabulary.of(["lever zzyzzk"], pronunciations={"zzyzzk": "Z IH1 Z AH0 K"}).sounds("zzyzzk")


def test_bad_pronunciation_is_explained() -> None:
    with pytest.raises(VocabularyError, match="'QQ' is not a phone"):
        Vocabulary.of(["lever"], pronunciations={"lever": "L QQ"})
    with pytest.raises(VocabularyError, match="no phones"):
        Lexicon({"lever": ""})


def test_empty_vocabulary() -> None:
    with pytest.raises(VocabularyError, match="empty"):
        Vocabulary.of([], [])


def test_lexicon_puts_words_together() -> None:
    lexicon = Lexicon()
    assert ("EH", "K", "S", "R", "EY") in lexicon.get("x-ray")
    assert lexicon.get("spring-pin")
    assert lexicon.get("maker's")[0][-1] == "Z"
    assert lexicon.get("Lever") == lexicon.get("lever")
    assert lexicon.get("zygote"), "comes from the large dictionary"
    assert lexicon.get("qqqqq") == ()


def test_the_same_sentences_make_the_same_graph_in_every_process() -> None:
    """Sets have another order in each process; a graph must not follow it, or the same sound is heard otherwise."""
    script = (
        "import hashlib\n"
        "from capture.speech.graph import build\n"
        "from capture.speech.vocabulary import Vocabulary\n"
        "said = [f'supply pressure one {d} p s i' for d in 'two three four five six seven eight'.split()]\n"
        "v = Vocabulary.of([*said, 'serial k r two'], 'b c d e f g h j l m n o'.split())\n"
        "g = build(v.phrase_network(), v.pronunciations)\n"
        "print(hashlib.sha256(repr((g.arcs, sorted(g.finals.items()), g.words)).encode()).hexdigest())\n"
    )
    found = {
        subprocess.run(
            [sys.executable, "-c", script],
            env={**os.environ, "PYTHONHASHSEED": str(seed)},
            check=True,
            capture_output=True,
            text=True,
        ).stdout
        for seed in (1, 2, 3)
    }
    assert len(found) == 1
