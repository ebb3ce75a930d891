"""Spoken names of a procedure: they must be tellable from one another and from the words of dictation."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from capture.procedure import language as lang
from capture.procedure.inside import phrase, phrases
from capture.procedure.lines import Path
from capture.procedure.schema import Report

Data = dict[str, Any]
Named = tuple[tuple[str, ...], str, Path]
"""Words, what they name (section and id), and where that is written."""

SUBJECTS = ("identity", "instrument", "reading", "counter", "check", "part")
"""Sections whose names begin a statement, so that all of them share one space of names."""

_RESERVED = frozenset(
    {*lang.JOINERS, *lang.LINKS, *lang.CONNECTIVES, *lang.DENIALS, lang.OLD, lang.NEW}
    | (lang.NUMBER_WORDS - {"oh"})
    | {phrase(form)[0] for forms in lang.OPENERS.values() for form in forms}
) - {"oh"}


def check_spoken(data: Data, report: Report) -> None:
    """Report every spoken name that is said like another or like a word of dictation."""
    subjects = [named for section in SUBJECTS for named in _names(data[section], (section,))]
    for words, what, path in subjects:
        if len(words) == 1 and words[0] in lang.SPELLING:
            report(path, f"the name '{words[0]}' of {what} is also a letter or digit; choose a name of two words.")
        elif words[0] in _RESERVED:
            report(path, f"the name '{' '.join(words)}' of {what} begins with '{words[0]}', "
                         "a word of dictation; choose another.")  # fmt: skip
    _collisions(subjects, report)
    for section in ("stage", "photo", "role"):
        _collisions(list(_names(data[section], (section,))), report)
    by_words = {words: what for words, what, _ in subjects}
    for i, check in enumerate(data["check"]):
        answers = list(_names(check["answer"], ("check", i, "answer")))
        _collisions(answers, report)
        for name in phrases(check["spoken"] or ()):
            for words, _, path in answers:
                for end in range(1, len(words) + 1):
                    if other := by_words.get((*name, *words[:end])):
                        report(path, f"'{' '.join((*name, *words))}' begins like the name of {other}; "
                                     "choose another answer or name.")  # fmt: skip
    _wake(data, {words for words, _, _ in subjects}, report)
    for i, counter in enumerate(data["counter"]):
        ways = list(_names(counter["direction"], ("counter", i, "direction")))
        _collisions(ways, report)
        for words, what, path in ways:
            if words[0] in lang.NUMBER_WORDS | lang.CONNECTIVES:
                report(path, f"{what} begins with '{words[0]}', a word of numbers; choose another.")


def _wake(data: Data, subjects: set[tuple[str, ...]], report: Report) -> None:
    """Report wake phrases that are too short to be told from talk, or that a statement may hold."""
    for words in phrases((data["procedure"] or {}).get("wake") or ()):
        said = " ".join(words)
        if len(words) < 2:
            report(("procedure", "wake"), f"the wake phrase '{said}' is one word; choose two or three.")
        elif set(words) & (_RESERVED | lang.SPELLING) or any(words[: len(name)] == name for name in subjects):
            report(("procedure", "wake"), f"the wake phrase '{said}' holds words of dictation or begins like a name; "
                                          "choose words that nothing else is said with.")  # fmt: skip


def _names(items: Any, path: Path) -> Iterator[Named]:
    for i, item in enumerate(items):
        what = f"{path[-1]} '{item.get('id') or (item['spoken'] or ['?'])[0]}'"
        for words in dict.fromkeys(phrases(item["spoken"] or ())):
            yield words, what, (*path, i, "spoken")


def _collisions(names: list[Named], report: Report) -> None:
    first: dict[tuple[str, ...], tuple[str, Path]] = {}
    for words, what, path in names:
        other, place = first.setdefault(words, (what, path))
        if place != path:
            report(path, f"{what} and {other} are both said '{' '.join(words)}'; choose another name.")
