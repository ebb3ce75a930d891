"""Words and their pronunciations: the shipped list, a larger dictionary if one is given, and a procedure's own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path

from .errors import ModelError, NoPronunciation, VocabularyError
from .phones import SPEECH

Pronunciation = tuple[str, ...]
SHIPPED = Path(__file__).parent / "model" / "lexicon.txt"
LETTER_NAMES = {"o.": "o", "&": "and"}


def phones(text: str, where: str) -> Pronunciation:
    """Phones written with spaces; stress digits are dropped.

    Raises:
        VocabularyError: there is none, or one is not of the phone set.
    """
    out = tuple(p.rstrip("012") for p in text.upper().split())
    wrong = [p for p in out if p not in SPEECH]
    if wrong or not out:
        what = f"{wrong[0]!r} is not a phone" if wrong else "there are no phones"
        raise VocabularyError(f"{where}: {what}; use {' '.join(SPEECH)}.")
    return out


@lru_cache(maxsize=8)
def read_lexicon(path: Path = SHIPPED) -> Mapping[str, tuple[Pronunciation, ...]]:
    """A lexicon file: a word, blank space, its phones; several lines for several pronunciations; # begins a remark.

    Raises:
        ModelError: the file cannot be read.
        VocabularyError: a line is not understood; the message names it.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as fault:
        raise ModelError(f"The lexicon {path} cannot be read ({fault}); install the package again.") from fault
    found: dict[str, list[Pronunciation]] = {}
    for number, line in enumerate(text.splitlines(), 1):
        body = line.split("#")[0].split(None, 1)
        if not body:
            continue
        if len(body) < 2:
            raise VocabularyError(f"{path}, line {number}: {body[0]!r} has no phones; write them after the word.")
        word = body[0].split("(")[0].lower()
        spoken = phones(body[1], f"{path}, line {number}")
        if spoken not in found.setdefault(word, []):
            found[word].append(spoken)
    return {w: tuple(p) for w, p in found.items()}


class Lexicon:
    """Looks words up, own pronunciations first."""

    def __init__(
        self,
        own: Mapping[str, str | Iterable[str]] | None = None,
        shipped: Path = SHIPPED,
        larger: Path | None = None,
    ) -> None:
        """Take a procedure's own pronunciations (word to phones, or to several of them) and files.

        Raises:
            VocabularyError: an own pronunciation is not understood.
            ModelError: a file cannot be read.
        """
        self._tables = [read_lexicon(shipped)] + ([read_lexicon(larger)] if larger else [])
        self._own: dict[str, tuple[Pronunciation, ...]] = {}
        for word, spoken in (own or {}).items():
            several = [spoken] if isinstance(spoken, str) else list(spoken)
            self._own[word.lower()] = tuple(phones(s, f"Pronunciation of {word!r}") for s in several)

    def get(self, word: str) -> tuple[Pronunciation, ...]:
        """All pronunciations of a word, none if unknown; a hyphenated word may be put together from its parts."""
        word = word.lower()
        for table in (self._own, *self._tables):
            if word in table:
                return table[word]
        if "-" in word.strip("-"):
            return self._joined(word.strip("-").split("-"))
        if word.endswith("'s") and (stem := self.get(word[:-2])):
            return tuple((*p, "Z") for p in stem)
        return ()

    def _joined(self, parts: list[str]) -> tuple[Pronunciation, ...]:
        out: list[Pronunciation] = [()]
        for part in parts:
            out = [(*head, *tail) for head in out for tail in self.get(part)]
        return tuple(out[:8])

    def require(self, words: Iterable[str]) -> dict[str, tuple[Pronunciation, ...]]:
        """Pronunciations of all words.

        Raises:
            NoPronunciation: some are unknown; the message names them all.
        """
        found = {w: self.get(w) for w in sorted(set(words))}
        unknown = tuple(w for w, p in found.items() if not p)
        if unknown:
            raise NoPronunciation(unknown)
        return found
