"""Words that sound like others are asked back where the other would have meant something else."""

from __future__ import annotations

from functools import partial

import pytest

from capture.bench.alike import alike
from capture.phrases import parse
from capture.procedure import find, load_procedure
from capture.speech.heard import Word

PROCEDURE = load_procedure(find("pressure_reducer"))


@pytest.mark.parametrize(
    ("text", "confidence", "asked"),
    [
        ("outlet pressure fifteen bar", 0.8, "fifty"),
        ("outlet pressure fifteen bar", 1.0, None),
        ("outlet pressure ninety bar", 0.8, "nineteen"),
        ("outlet pressure eighty bar", 0.8, "eighteen"),
        ("outlet pressure twenty bar", 0.8, None),
        ("outlet pressure eight point five bar", 0.8, "at"),
        ("outlet pressure at point five bar", 0.8, "eight"),
        ("outlet pressure at two bar", 0.8, "eight"),
        ("outlet pressure nine point eight bar", 1.0, None),
        ("fitted two piston rings lot b three", 0.8, "c"),
        ("fitted two piston rings lot b three", 1.0, "c"),
        ("note a small dent", 1.0, None),
        ("fitted a piston ring lot bravo three", 1.0, None),
        ("fitted two piston rings lot bravo three", 0.6, None),
        ("outlet pressure eight point five bar", 0.95, None),
        ("turn adjuster up eight turns", 0.8, "eighth"),
        ("turn adjuster up eighth turn", 0.8, "eight"),
        ("turn adjuster up eight turns", 0.95, None),
        ("turn adjuster up six turns", 0.8, None),  # it moves in sixteenths, so a sixth cannot be meant
        ("outlet pressure six bar", 0.8, None),
        ("serial number r four seven one nine", 0.8, None),  # no other letter makes a serial of this form
    ],
)
def test_words_alike(text: str, confidence: float, asked: str | None) -> None:
    words = [Word(word, 0.3 * i, 0.3 * i + 0.3, confidence) for i, word in enumerate(text.split())]
    doubts = alike(words, partial(parse, procedure=PROCEDURE))
    assert (doubts[0].other if doubts else None) == asked


@pytest.mark.parametrize(("heard", "other"), [("not", "now"), ("now", "not")])
def test_now_and_not_are_asked_about_however_clear(heard: str, other: str) -> None:
    text = f"lever tips is {heard} straight"
    words = [Word(word, 0.3 * i, 0.3 * i + 0.3, 1.0) for i, word in enumerate(text.split())]
    doubts = alike(words, partial(parse, procedure=load_procedure(find("lever_valve"))))
    assert [doubt.other for doubt in doubts] == [other]
