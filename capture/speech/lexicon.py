"""Words and their pronunciations: a procedure's own, the shipped list of the trade, the shipped large dictionary."""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path

from .errors import ModelError, NoPronunciation, VocabularyError
from .phones import SPEECH

Pronunciation = tuple[str, ...]
SHIPPED = Path(__file__).parent / "model" / "lexicon.txt"
LARGE = Path(__file__).parent / "model" / "large.txt.gz"


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


def _text(path: Path) -> str:
    try:
        data = path.read_bytes()
        return (gzip.decompress(data) if path.suffix == ".gz" else data).decode("utf-8")
    except (OSError, EOFError, zlib.error, UnicodeDecodeError) as fault:
        raise ModelError(f"The lexicon {path} cannot be read ({fault}); install the package again.") from fault


@lru_cache(maxsize=2)
def _large_text(path: Path) -> str:
    return "\n" + _text(path)


def look_up(path: Path, word: str) -> tuple[Pronunciation, ...]:
    """Pronunciations of one word in a large sorted lexicon (word, tab, phones), without reading all of it.

    Raises:
        ModelError: the file cannot be read.
    """
    text, key = _large_text(path), f"\n{word}\t"
    found, at = [], text.find(key)
    while at >= 0:
        end = text.find("\n", at + 1)
        found.append(phones(text[at + len(key) : end], f"{path.name}, word {word!r}"))
        at = text.find(key, end) if text.startswith(key, end) else -1
    return tuple(found)


@lru_cache(maxsize=8)
def read_lexicon(path: Path = SHIPPED) -> Mapping[str, tuple[Pronunciation, ...]]:
    """A lexicon file: a word, blank space, its phones; several lines for several pronunciations; # begins a remark.

    Raises:
        ModelError: the file cannot be read.
        VocabularyError: a line is not understood; the message names it.
    """
    text = _text(path)
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
        larger: Path | None = LARGE,
    ) -> None:
        """Take a procedure's own pronunciations (word to phones, or to several of them) and files.

        Raises:
            VocabularyError: an own pronunciation is not understood.
            ModelError: a file cannot be read.
        """
        self._small, self._larger = read_lexicon(shipped), larger
        self._own: dict[str, tuple[Pronunciation, ...]] = {}
        for word, spoken in (own or {}).items():
            several = [spoken] if isinstance(spoken, str) else list(spoken)
            self._own[word.lower()] = tuple(phones(s, f"Pronunciation of {word!r}") for s in several)

    def get(self, word: str) -> tuple[Pronunciation, ...]:
        """All pronunciations of a word, none if unknown; a hyphenated word may be put together from its parts."""
        word = word.lower()
        for table in (self._own, self._small):
            if word in table:
                return table[word]
        if self._larger is not None and (found := look_up(self._larger, word)):
            return found
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
