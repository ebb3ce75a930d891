"""Slots that take names: of the procedure's things, or one of several words for the same."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from random import Random
from typing import Any

from capture.phrases.grammar import Taken, Words
from capture.procedure.inside import phrases


class Names:
    """Spoken forms and what each means; the longest form is tried first."""

    def __init__(self, forms: Mapping[Words, Any], *, favour_first: bool = False) -> None:
        self.forms = dict(forms)
        self._favour_first = favour_first
        self._longest = max(map(len, self.forms), default=0)

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, Any]]:
        """See `Slot.match`."""
        for length in range(min(self._longest, len(words) - start), 0, -1):
            if (form := words[start : start + length]) in self.forms:
                yield start + length, self.forms[form]

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, Any]:
        """See `Slot.sample`."""
        forms = list(self.forms)
        form = forms[0] if self._favour_first and rng.random() < 0.6 else rng.choice(forms)
        return form, self.forms[form]

    def words(self) -> Iterable[str]:
        """See `Slot.words`."""
        return (word for form in self.forms for word in form)


def names(forms: Iterable[str], meaning: Any = None) -> dict[Words, Any]:
    """Forms that all mean the same; without ``meaning`` each means its own text."""
    return {words: " ".join(words) if meaning is None else meaning for words in phrases(forms)}


class Dependent:
    """A choice that depends on what another slot took: the answers of a check, the directions of a counter. The other
    slot may also come later; then any form is taken, and the builder must see whether it fits."""

    def __init__(self, of: str, tables: Mapping[Any, Mapping[Words, Any]]) -> None:
        self._of = of
        self._tables = {key: Names(table) for key, table in tables.items()}
        self._any = Names({form: form for table in tables.values() for form in table})

    def match(self, words: Words, start: int, taken: Taken) -> Iterator[tuple[int, Any]]:
        """See `Slot.match`."""
        if self._of in taken:
            yield from self._tables[taken[self._of].id].match(words, start, taken)
        else:
            yield from self._any.match(words, start, taken)

    def sample(self, rng: Random, taken: Taken) -> tuple[Words, Any]:
        """See `Slot.sample`."""
        table = self._tables[taken[self._of].id] if self._of in taken else self._any
        return table.sample(rng, taken)

    def words(self) -> Iterable[str]:
        """See `Slot.words`."""
        return self._any.words()

    def meaning(self, key: str, form: Words) -> Any:
        """What ``form`` means for ``key``, or None if it is none of its forms."""
        return self._tables[key].forms.get(form)
