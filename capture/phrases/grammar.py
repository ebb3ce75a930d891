"""A small grammar of templates: the same template matches words, draws example sentences and lists its words.

A template is written ``"{counter} [by] {amount} (in|out)"``: words stand for themselves, ``[x]`` may be left out,
``(x|y)`` is a choice, ``{name}`` is a slot.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from random import Random
from typing import Any, Protocol

Words = tuple[str, ...]
Taken = Mapping[str, Any]
"""What the slots before have taken, by slot name."""


class Slot(Protocol):
    """A place in a template that takes words and gives a meaning."""

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, Any]]:
        """Every way to take words from ``start``: (end, meaning), the longest first."""
        ...

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, Any]:
        """Words drawn at random, with their meaning."""
        ...

    def words(self) -> Iterable[str]:
        """All words that can stand here."""
        ...


@dataclass(frozen=True)
class _Word:
    word: str


@dataclass(frozen=True)
class _Ref:
    name: str


@dataclass(frozen=True)
class _Optional:
    node: Node


@dataclass(frozen=True)
class _Sequence:
    nodes: tuple[Node, ...]


@dataclass(frozen=True)
class _Choice:
    nodes: tuple[Node, ...]


Node = _Word | _Ref | _Optional | _Sequence | _Choice
OPTIONAL_SHARE = 0.35
"""How often an optional piece is drawn in a sample."""

_TOKEN = re.compile(r"\{(\w+)\}|([\[\]()|])|([a-z'-]+)")


class Template:
    """A compiled template over named slots."""

    def __init__(self, text: str, slots: Mapping[str, Slot]) -> None:
        self.text = text
        self._slots = slots
        self._root, rest = _choice([m.groups() for m in _TOKEN.finditer(text)], 0)
        if rest != len(_TOKEN.findall(text)):
            raise ValueError(f"template '{text}': brackets do not match")

    def match(self, words: Words, start: int) -> Iterator[tuple[int, dict[str, Any]]]:
        """Every way to take words from ``start``: (end, what the slots took)."""
        yield from self._match(self._root, words, start, {})

    def sample(self, rng: Random) -> tuple[Words, dict[str, Any]]:
        """Words drawn at random, with what the slots took."""
        taken: dict[str, Any] = {}
        return tuple(self._sample(self._root, rng, taken)), taken

    def words(self) -> set[str]:
        """All words that can occur."""
        return set(self._words(self._root))

    def _match(
        self, node: Node, words: Words, start: int, taken: dict[str, Any]
    ) -> Iterator[tuple[int, dict[str, Any]]]:
        match node:
            case _Word(word):
                if words[start : start + 1] == (word,):
                    yield start + 1, taken
            case _Ref(name):
                for end, meaning in self._slots[name].match(words, start, taken):
                    yield end, taken | {name: meaning}
            case _Optional(inner):
                yield from self._match(inner, words, start, taken)
                yield start, taken
            case _Choice(nodes):
                for choice in nodes:
                    yield from self._match(choice, words, start, taken)
            case _Sequence(()):
                yield start, taken
            case _Sequence(nodes):
                for end, more in self._match(nodes[0], words, start, taken):
                    yield from self._match(_Sequence(nodes[1:]), words, end, more)

    def _sample(self, node: Node, rng: Random, taken: dict[str, Any]) -> Iterator[str]:
        match node:
            case _Word(word):
                yield word
            case _Ref(name):
                words, taken[name] = self._slots[name].sample(rng, taken)
                yield from words
            case _Optional(inner):
                if rng.random() < OPTIONAL_SHARE:
                    yield from self._sample(inner, rng, taken)
            case _Choice(nodes):
                yield from self._sample(rng.choice(nodes), rng, taken)
            case _Sequence(nodes):
                for inner in nodes:
                    yield from self._sample(inner, rng, taken)

    def _words(self, node: Node) -> Iterator[str]:
        match node:
            case _Word(word):
                yield word
            case _Ref(name):
                yield from self._slots[name].words()
            case _Optional(inner):
                yield from self._words(inner)
            case _Choice(nodes) | _Sequence(nodes):
                for inner in nodes:
                    yield from self._words(inner)


_Tokens = list[tuple[str | Any, ...]]


def _choice(tokens: _Tokens, at: int) -> tuple[Node, int]:
    choices: list[Node] = []
    while True:
        sequence, at = _sequence(tokens, at)
        choices.append(sequence)
        if at >= len(tokens) or tokens[at][1] != "|":
            return (choices[0] if len(choices) == 1 else _Choice(tuple(choices))), at
        at += 1


def _sequence(tokens: _Tokens, at: int) -> tuple[Node, int]:
    nodes: list[Node] = []
    while at < len(tokens):
        slot, mark, word = tokens[at]
        if mark in ("]", ")", "|"):
            break
        if mark in ("[", "("):
            inner, at = _choice(tokens, at + 1)
            nodes.append(_Optional(inner) if mark == "[" else inner)
        else:
            nodes.append(_Ref(slot) if slot else _Word(word))
        at += 1
    return (nodes[0] if len(nodes) == 1 else _Sequence(tuple(nodes))), at
