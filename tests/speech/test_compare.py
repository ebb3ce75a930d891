"""Two hearings: only what really differs is doubtful."""

from __future__ import annotations

from capture.speech.compare import disagreements
from capture.speech.lexicon import Lexicon

SAY = Lexicon().get


def spans(first: str, second: str) -> list[tuple[int, int]]:
    return [(d.first, d.last) for d in disagreements(first.split(), second.split(), SAY)]


def test_agreement() -> None:
    assert spans("lever height two point five", "lever height two point five") == []


def test_words_that_sound_alike_agree() -> None:
    assert spans("two for oh", "to four o") == []


def test_fifteen_and_fifty() -> None:
    (doubt,) = disagreements(
        ["pressure", "one", "fifteen", "p", "s", "i"], ["pressure", "one", "fifty", "p", "s", "i"], SAY
    )
    assert (doubt.first, doubt.last, doubt.other) == (2, 2, "fifty")
    assert "'fifty'" in doubt.reason
    assert "'fifteen'" in doubt.reason


def test_more_and_less() -> None:
    assert spans("one two three", "one three") == [(1, 1)]
    assert spans("one three", "one two three") == [(0, 1)]
    assert spans("one", "") == [(0, 0)]
    assert spans("", "one") == []
