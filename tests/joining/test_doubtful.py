"""The second hearing's objections: all count but those that would mean the same."""

from __future__ import annotations

from functools import partial

import pytest

from capture.bench.doubtful import material
from capture.phrases import parse
from capture.procedure import find, load_procedure
from capture.speech.compare import disagreements

PROCEDURE = load_procedure(find("pressure_reducer"))


@pytest.mark.parametrize(
    ("first", "second", "counts"),
    [
        ("creep one hundred and fifteen millibar", "creep one hundred and fifty millibar", True),
        ("serial number romeo four seven one nine", "serial number romeo four seven one five", True),
        ("adjuster up one eighth of a turn", "adjuster down one eighth of a turn", True),
        ("bubbles none", "bubbles long", True),
        ("outlet pressure nine decimal four bar", "outlet pressure ninth decimal four bar", True),
        ("outlet pressure nine decimal four bar", "outlet pressure niner decimal fower bar", False),
        ("outlet pressure nine decimal four bar", "outlet pressure nine decimal four bars", False),
        ("hold time three minutes", "hold time three may discs", True),
        ("fitted two piston rings lot papa three", "fitted two piston rings lot papa three three", True),
        ("piston bore smooth", "piston bore scored", True),
        ("stage leak test", "stage rebuild", True),
    ],
)
def test_an_objection_counts_unless_it_would_have_meant_the_same(first: str, second: str, counts: bool) -> None:
    words = first.split()
    reparse = partial(parse, procedure=PROCEDURE)
    doubts = disagreements(words, second.split(), lambda word: ())
    statements = reparse(words)
    kept = [doubt for statement in statements for doubt in material(doubts, words, statement, reparse)]
    assert bool(kept) is counts
