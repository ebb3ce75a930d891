"""The recogniser's examples leave no opinion about values: teens and tens, months and days cost about the same."""

from __future__ import annotations

import pytest

from capture.bench.hearing import examples
from capture.phrases import parse, pronunciations, vocabulary
from capture.phrases.plausible import is_plausible
from capture.phrases.shapes import readings_of_every_shape
from capture.phrases.statements import Context, ReadingSaid
from capture.procedure import find, load_procedure
from capture.procedure.language import MONTHS, ORDINALS
from capture.procedure.model import Procedure
from capture.speech.language import WordNetwork
from capture.speech.vocabulary import Vocabulary
from capture.units import UNITS, convert

SHIPPED = ("lever_valve", "pressure_reducer")
SLIGHT = 6.0
"""Natural logarithm; a word that is heard well differs from its like by ten and more, a bias of eleven was heard."""
PAIRS = (
    ("thirteen", "thirty"),
    ("fifteen", "fifty"),
    ("nineteen", "ninety"),
    ("one hundred and fifteen", "one hundred and fifty"),
    ("seven hundred and eighteen", "seven hundred and eighty"),
    ("four hundred sixteen", "four hundred sixty"),
)


@pytest.fixture(params=SHIPPED, scope="module")
def procedure(request: pytest.FixtureRequest) -> Procedure:
    return load_procedure(find(request.param))


@pytest.fixture(scope="module")
def network(procedure: Procedure) -> WordNetwork:
    return Vocabulary.of(examples(procedure), vocabulary(procedure), pronunciations(procedure)).phrase_network()


def test_each_is_a_reading_of_its_field(procedure: Procedure) -> None:
    for text in readings_of_every_shape(procedure, 3):
        (said,) = parse(text.split(), procedure=procedure, context=Context())
        assert isinstance(said, ReadingSaid), text
        assert any(text.startswith(way) for way in procedure.reading(said.field).spoken), text


def test_every_reading_is_shown_in_its_plausible_range_too(procedure: Procedure) -> None:
    shown = readings_of_every_shape(procedure, 1)
    for reading in procedure.readings:
        for unit in reading.units:
            said = [parse(text.split(), procedure=procedure, context=Context())[0] for text in shown]
            values = [s.value for s in said if isinstance(s, ReadingSaid) and (s.field, s.unit) == (reading.id, unit)]
            assert any(is_plausible(value, unit, reading) for value in values), (reading.id, unit)
            least = convert(reading.plausible_low, reading.unit, unit)
            assert least <= 0 or any(value < 2 * least for value in values), (reading.id, unit)


def test_the_same_seed_gives_the_same_sentences(procedure: Procedure) -> None:
    assert readings_of_every_shape(procedure, 3) == readings_of_every_shape(procedure, 3)
    assert readings_of_every_shape(procedure, 3) != readings_of_every_shape(procedure, 4)


def test_teens_and_tens_cost_about_the_same_in_every_unit(procedure: Procedure, network: WordNetwork) -> None:
    for reading in procedure.readings:
        high = 10 * float(reading.plausible_high)
        for unit in reading.units:
            if unit != reading.unit or high < 1000:
                continue
            for teen, ten in PAIRS:
                frame = f"{reading.spoken[0]} {{}} {UNITS[unit].spoken[0]}"
                costs = [network.cost(frame.format(word).split()) for word in (teen, ten)]
                assert abs(costs[0] - costs[1]) < SLIGHT, (frame, teen, costs)


def test_no_month_and_no_day_is_expected_more(procedure: Procedure, network: WordNetwork) -> None:
    instrument = procedure.instruments[0].spoken[0]
    for month in MONTHS:
        costs = {
            day: network.cost(f"{instrument} calibration due {month} the {day} twenty twenty nine".split())
            for day in ORDINALS
        }
        assert max(costs.values()) - min(costs.values()) < SLIGHT, (month, costs)
    months = [network.cost(f"{instrument} calibration due {month} twenty twenty nine".split()) for month in MONTHS]
    assert max(months) - min(months) < 1.0
