"""What may be said in a job, made ready for the recogniser: sentences, words and their pronunciations."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from .errors import VocabularyError
from .language import UNKNOWN, VALUE_CLASSES, Edge, Weights, WordNetwork, loop, network
from .lexicon import Lexicon, Pronunciation

PLAIN_WORDS = ("zero", "oh", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "point", "minus")


@dataclass(frozen=True)
class Vocabulary:
    """Words with pronunciations and example sentences that show their order.

    Attributes:
        sentences: example sentences, split into words.
        words: every word that may be heard.
        pronunciations: all ways to say each word.
    """

    sentences: tuple[tuple[str, ...], ...]
    words: frozenset[str]
    pronunciations: Mapping[str, tuple[Pronunciation, ...]]

    @staticmethod
    def of(
        sentences: Iterable[str | Iterable[str]] = (),
        words: Iterable[str] = (),
        pronunciations: Mapping[str, str | Iterable[str]] | None = None,
    ) -> Vocabulary:
        """A vocabulary from example sentences and further words.

        Args:
            sentences: what people may say, as text or as words; thousands are better than tens.
            words: words that may come though no sentence has them.
            pronunciations: own ways to say some words, as phones ("HH AH L OW").

        Raises:
            VocabularyError: there are no words, or a pronunciation is not understood.
            NoPronunciation: nobody knows how to say some of the words; all of them are named.
        """
        rows = tuple(tuple(w.lower() for w in (s.split() if isinstance(s, str) else s)) for s in sentences)
        everything = frozenset(w for s in rows for w in s) | frozenset(w.lower() for w in words) - {UNKNOWN}
        if not everything:
            raise VocabularyError("The vocabulary is empty; hand over sentences or words.")
        return Vocabulary(rows, everything, Lexicon(pronunciations).require(everything))

    def phrase_network(self, weights: Weights | None = None) -> WordNetwork:
        """The hearing that knows how sentences go."""
        weights = weights or Weights()
        plain = network(self.sentences, self.words, VALUE_CLASSES, weights)
        edges = (tuple(_dearer(e, weights.slip) if e.word == "oh" else e for e in row) for row in plain.edges)
        return replace(plain, edges=tuple(edges))

    def loop_network(self, unknown: float = 0.05, penalty: float = 0.0) -> WordNetwork:
        """The hearing that knows only words."""
        return loop(self.words, unknown, penalty)

    def sounds(self, word: str) -> tuple[Pronunciation, ...]:
        """Ways to say a word, none for one outside the vocabulary."""
        return self.pronunciations.get(word, ())


def _dearer(edge: Edge, cost: float) -> Edge:
    return edge._replace(cost=edge.cost + cost)
