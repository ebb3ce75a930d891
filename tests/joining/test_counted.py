"""A number that does not go with the form of a part's name was misheard, or the name was."""

from __future__ import annotations

from dataclasses import replace

import pytest

from capture.bench.counted import miscounted
from capture.phrases import parse
from capture.phrases.statements import Context, PartSaid
from capture.procedure import find, load_procedure
from tests.bench.hearing_talk import Desk
from tests.joining.test_continued import Speaker

PROCEDURE = load_procedure(find("lever_valve"))


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ("fitted one sealing rings lot bravo three", True),
        ("fitted a sealing rings lot bravo three", True),
        ("fitted two sealing ring lot bravo three", True),
        ("fitted three o ring lot bravo three", True),
        ("fitted two sealing rings lot bravo three", False),
        ("fitted one o ring lot bravo three", False),
        ("fitted all sealing rings lot bravo three", False),
        ("removed the diaphragm", False),
        ("removed one old diaphragms", True),
    ],
)
def test_number_and_name_agree_or_it_is_asked(text: str, asked: bool) -> None:
    words = text.split()
    (said,) = parse(words, procedure=PROCEDURE, context=Context(stage="assembled"))
    assert isinstance(said, PartSaid)
    reasons = miscounted(words[slice(*said.span)], PROCEDURE.part(said.part), said.quantity)
    assert bool(reasons) == asked


def test_a_part_with_one_form_of_its_name_tells_nothing() -> None:
    part = PROCEDURE.part("diaphragm")
    single = replace(part, spoken=("diaphragm",))
    assert miscounted(["two", "diaphragm", "removed"], single, 2) == ()


def test_at_the_bench_it_waits_to_be_confirmed(desk: Desk) -> None:
    speaker = Speaker(desk)
    *_, sure = speaker.say("fitted two sealing rings lot bravo three")
    *_, asked = speaker.say("fitted one sealing rings lot bravo three", pause=3.0)
    assert (sure.entry.status, asked.entry.status) == ("accepted", "unconfirmed")
    assert "does not go with the number 1" in asked.entry.warnings[0].sentence
