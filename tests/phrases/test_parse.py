"""What is said, and what it comes to."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from capture.phrases import Context, parse
from capture.phrases import statements as st
from capture.procedure import Procedure


def one(words: str, procedure: Procedure, context: Context | None = None) -> st.Said:
    statements = parse(words.split(), procedure, context)
    assert len(statements) == 1, statements
    assert statements[0].words == words
    assert statements[0].span == (0, len(words.split()))
    return statements[0]


def several(words: str, procedure: Procedure) -> tuple[st.Said, ...]:
    heard = words.split()
    statements = parse(heard, procedure)
    assert [word for s in statements for word in heard[slice(*s.span)]] == heard
    return statements


def shown(statement: st.Said) -> tuple[Any, ...]:
    """The statement's meaning without words and span."""
    parts = [v for k, v in vars(statement).items() if k not in ("words", "span", "sentence")]
    return (type(statement).__name__, *parts)


def reading(field: str, value: str, unit: str, assumed: bool = False, others: tuple[str, ...] = ()) -> tuple[Any, ...]:
    return ("ReadingSaid", field, Decimal(value), unit, assumed, tuple(map(Decimal, others)))


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("lever height two point one millimetres", reading("lever_height", "2.1", "mm")),
        ("lever height is two point one millimeters", reading("lever_height", "2.1", "mm")),
        ("lever tip height reads minus half a millimetre", reading("lever_height", "-0.5", "mm")),
        ("lever height half a millimetre", reading("lever_height", "0.5", "mm")),
        ("lever height three quarters of a millimetre", reading("lever_height", "0.75", "mm")),
        ("lever height two and a half millimetres", reading("lever_height", "2.5", "mm")),
        ("lever height an eighth of an inch", reading("lever_height", "0.125", "in")),
        ("lever height a millimetre", reading("lever_height", "1", "mm")),
        ("lever height two point one", reading("lever_height", "2.1", "mm", True)),
        ("and now lever height at two point one zero millimetres", reading("lever_height", "2.10", "mm")),
        ("supply pressure one thirty five p s i", reading("supply_pressure", "135", "psi")),
        ("supply pressure a hundred and thirty five pounds per square inch", reading("supply_pressure", "135", "psi")),
        ("supply pressure one three five pounds", reading("supply_pressure", "135", "psi")),
        ("supply pressure nine point three bar", reading("supply_pressure", "9.3", "bar")),
        ("supply pressure nine hundred and thirty kilopascals", reading("supply_pressure", "930", "kPa")),
        ("supply pressure one thirty five", reading("supply_pressure", "135", "psi", True)),
        ("opening effort one point one inches of water", reading("opening_effort", "1.1", "inH2O")),
        ("opening effort one point one inches water", reading("opening_effort", "1.1", "inH2O")),
        ("opening effort twenty eight millimetres of water", reading("opening_effort", "28", "mmH2O")),
        ("cracking effort two point eight centimetres water column", reading("opening_effort", "2.8", "cmH2O")),
        ("opening effort two point seven millibar", reading("opening_effort", "2.7", "mbar")),
        ("opening effort two eighty pascals", reading("opening_effort", "280", "Pa")),
        ("opening effort two ten inches of water", reading("opening_effort", "210", "inH2O", False, ("2.10",))),
        ("lever height 2.1 mm", reading("lever_height", "2.1", "mm")),
        ("Supply pressure, 135 psi.", reading("supply_pressure", "135", "psi")),
        ("lever height 1,85mm", reading("lever_height", "1.85", "mm")),
        ("lever height \u2212\u00bd mm", reading("lever_height", "-0.5", "mm")),
        ("opening effort 1.2 inH\u2082O", reading("opening_effort", "1.2", "inH2O")),
    ],
)
def test_readings(words: str, expected: tuple[Any, ...], valve: Procedure) -> None:
    assert shown(one(words, valve)) == expected


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("outlet pressure nine and a half bar", reading("outlet_pressure", "9.5", "bar")),
        ("creep one hundred eighty millibar", reading("creep", "180", "mbar")),
        ("cap torque twenty six newton metres", reading("cap_torque", "26", "Nm")),
        ("cap torque two thirty inch pounds", reading("cap_torque", "230", "inlb")),
        ("hold time two minutes", reading("hold_time", "2", "min")),
        ("hold time one twenty seconds", reading("hold_time", "120", "s")),
        ("hold time two minutes and thirty seconds", reading("hold_time", "150", "s")),
        ("hold time two minutes five seconds", reading("hold_time", "125", "s")),
        ("hold time a minute and a half", reading("hold_time", "1.5", "min")),
        ("inlet pressure two ten", reading("inlet_pressure", "210", "bar", True)),
    ],
)
def test_readings_of_the_other_procedure(words: str, expected: tuple[Any, ...], reducer: Procedure) -> None:
    assert shown(one(words, reducer)) == expected


@pytest.mark.parametrize(
    ("words", "turns", "direction"),
    [
        ("orifice in a quarter turn", "1/4", "in"),
        ("orifice in quarter of a turn", "1/4", "in"),
        ("orifice out one twelfth of a turn", "-1/12", "out"),
        ("orifice out a twelfth turn", "-1/12", "out"),
        ("orifice thirty degrees in", "1/12", "in"),
        ("orifice in thirty degrees", "1/12", "in"),
        ("orifice clockwise by one and a quarter turns", "5/4", "in"),
        ("orifice counterclockwise half a turn", "-1/2", "out"),
        ("turned the orifice a half turn out", "-1/2", "out"),
        ("quarter turn in on the orifice", "1/4", "in"),
        ("orifice in a turn", "1", "in"),
        ("orifice in one full turn", "1", "in"),
        ("orifice in two turns", "2", "in"),
        ("orifice in a turn and a half", "3/2", "in"),
        ("orifice in one turn and thirty degrees", "13/12", "in"),
        ("orifice in zero point two five turns", "1/4", "in"),
        ("orifice in a quarter", "1/4", "in"),
        ("orifice one and a twelfth in", "13/12", "in"),
        ("orifice in 1/12 turn", "1/12", "in"),
        ("orifice in 30\u00b0", "1/12", "in"),
        ("orifice in three sixty degrees", "1", "in"),
        ("orifice in two thirds of a turn", "2/3", "in"),
        ("anticlockwise the orifice by a quarter turn", "-1/4", "out"),
    ],
)
def test_turns(words: str, turns: str, direction: str, valve: Procedure) -> None:
    assert shown(one(words, valve)) == ("TurnSaid", "orifice", Fraction(turns), direction)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("spring pin centered", ("CheckSaid", "spring_pin", "centred")),
        ("spring pin is not centred", ("CheckSaid", "spring_pin", "off_centre")),
        ("lever tips are upright", ("CheckSaid", "lever_upright", "upright")),
        ("any leaks no", ("CheckSaid", "leak", "none")),
        ("leak at the hose", ("CheckSaid", "leak", "hose")),
        ("valve seat fitted lot four seven kilo", ("PartSaid", "seat", "fitted", 1, "47K")),
        ("fitted the new valve seat lot four seven kilo", ("PartSaid", "seat", "fitted", 1, "47K")),
        ("valve seat lot a b one two fitted", ("PartSaid", "seat", "fitted", 1, "AB12")),
        ("old valve seat removed", ("PartSaid", "seat", "removed", 1, None)),
        ("three o rings fitted lot double four seven", ("PartSaid", "sealing_ring", "fitted", 3, "447")),
        ("all o-rings removed", ("PartSaid", "sealing_ring", "removed", 3, None)),
        ("all three old sealing rings removed", ("PartSaid", "sealing_ring", "removed", 3, None)),
        ("both sealing rings removed", ("PartSaid", "sealing_ring", "removed", 2, None)),
        ("an old sealing ring removed", ("PartSaid", "sealing_ring", "removed", 1, None)),
        (
            "supply gauge p g zero one calibration due march twenty twenty seven",
            ("InstrumentSaid", "supply_gauge", "PG01", date(2027, 3, 31)),
        ),
        (
            "using depth gauge serial number d four due thirty first of may twenty twenty six",
            ("InstrumentSaid", "depth_gauge", "D4", date(2026, 5, 31)),
        ),
        ("effort gauge valid until june first twenty twenty six",
         ("InstrumentSaid", "effort_gauge", None, date(2026, 6, 1))),
        ("serial number kilo seven dash zero four two", ("IdentitySaid", "serial", "K7-042")),
        ("serial k seven dash oh four two", ("IdentitySaid", "serial", "K7-042")),
        ("serial K7-042", ("IdentitySaid", "serial", "K7-042")),
        ("using supply gauge PG14, due 2026-11-30",
         ("InstrumentSaid", "supply_gauge", "PG14", date(2026, 11, 30))),
        ("using the supply gauge pg01 due march 2027", ("InstrumentSaid", "supply_gauge", "PG01", date(2027, 3, 31))),
        ("fitted valve seat lot B2207", ("PartSaid", "seat", "fitted", 1, "B2207")),
        ("valve seat fitted batch number papa nine", ("PartSaid", "seat", "fitted", 1, "P9")),
        ("type alpha two", ("IdentitySaid", "type", "A2")),
        ("stage assembled", ("StageSaid", "assembled")),
        ("begin stage under pressure", ("StageSaid", "pressurised")),
        ("assembled", ("StageSaid", "assembled")),
        ("photo lever side", ("PhotoSaid", "lever_side")),
        ("take a picture of the open case", ("PhotoSaid", "case_open")),
        ("note hose is bent [unk] two places", ("NoteSaid", "hose is bent [unk] two places")),
        ("sign off as technician", ("SignOffSaid", "technician")),
        ("disregard", ("CommandSaid", "disregard", None)),
        ("disregard that", ("CommandSaid", "disregard", None)),
        ("say again", ("CommandSaid", "say_again", None)),
        ("say again supply pressure", ("CommandSaid", "say_again", "supply_pressure")),
        ("confirm", ("CommandSaid", "confirm", None)),
        ("confirm lever height", ("CommandSaid", "confirm", "lever_height")),
        ("read back the lever height", ("CommandSaid", "read_back", "lever_height")),
        ("what is missing", ("CommandSaid", "what_is_missing", None)),
        ("correction", ("CorrectionSaid", None)),
    ],
)  # fmt: skip
def test_other_statements(words: str, expected: tuple[Any, ...], valve: Procedure) -> None:
    assert shown(one(words, valve)) == expected


@pytest.mark.parametrize(
    ("words", "reason", "says"),
    [
        ("lever height", "value_missing", "say the name, the number and its unit"),
        ("lever height one point one point two", "bad_number", "one point one point two"),
        ("lever height one five point", "bad_number", "not one number"),
        ("lever height two point one millimetres three", "bad_number", "'three' may belong to it"),
        ("lever height two point one millimetres no three", "bad_number", "may belong to it"),
        ("lever height a third of a millimetre", "bad_number", "no finite decimal"),
        ("lever height two point one p s i", "wrong_unit", "psi is a unit of pressure, but Lever height"),
        ("lever height two point one inches of water", "wrong_unit", "unit of pressure"),
        ("lever height two point one centimetres", "wrong_unit", "not taken in cm: say it in millimetres or inches"),
        ("opening effort one point one inches", "wrong_unit", "in is a unit of length"),
        ("lever height point one", "unit_missing", "0.1 could be millimetres or inches"),
        ("lever height two hundred", "unit_missing", "not plausible in any unit"),
        ("supply pressure nine point three", "unit_missing", "not plausible in p s i"),
        ("opening effort one point one", "unit_missing", "inches of water, centimetres of water or millibar"),
        ("orifice in thirty", "unit_missing", "say turns or degrees"),
        ("orifice in a quarter millimetre", "wrong_unit", "say turns or degrees"),
        ("orifice in", "bad_turn", "which way (in or out) and how far"),
        ("orifice a quarter turn", "bad_turn", "which way"),
        ("orifice in two millimetres", "wrong_unit", "say turns or degrees"),
        ("orifice in seven degrees", "bad_step", "steps of 1/24 turn"),
        ("orifice in zero turns", "bad_number", "above zero"),
        ("orifice in minus a half turn", "bad_number", "above zero"),
        ("spring pin", "answer_missing", "centered, off center"),
        ("spring pin not quite centered", "answer_missing", "say one of"),
        ("sealing rings fitted", "quantity_missing", "the kit has 3; say how many"),
        ("old valve seat fitted", "contradiction", "old parts are removed and new ones fitted"),
        ("valve seat", "bad_part", "say how many"),
        ("supply gauge", "bad_instrument", "calibration due"),
        ("supply gauge p g one due march twenty seven", "bad_instrument", "with the full year"),
        ("using supply gauge p g one due march twenty seven", "incomplete", "march"),
        ("supply gauge one three five p s i", "bad_instrument", "say 'using'"),
        ("serial number k seven", "bad_identity", "'K7' is not of the form"),
        ("serial number", "bad_identity", "spell it again"),
        ("stage unknown", "stage_unknown", "as received, stripped"),
        ("photo", "view_unknown", "lever side, case open"),
        ("sign off", "role_unknown", "technician, reviewer"),
        ("note", "note_empty", "say 'note' and what is to be kept"),
        ("correction confirm", "bad_correction", "say the whole entry again"),
        ("correction lever height one point", "bad_number", "not one number"),
        ("confirm supply pressure one thirty five", "incomplete", "one thirty five"),
    ],
)
def test_refusals_say_why_and_what_to_do(words: str, reason: str, says: str, valve: Procedure) -> None:
    refused = one(words, valve)
    assert isinstance(refused, st.Refused)
    assert refused.reason == reason
    assert says in refused.sentence


def test_corrections(valve: Procedure) -> None:
    named = one("correction lever height two point two millimetres", valve)
    assert isinstance(named, st.CorrectionSaid)
    assert named.statement is not None
    assert shown(named.statement) == reading("lever_height", "2.2", "mm")
    assert named.statement.span == (1, 7)

    first, second = several("lever height two point one millimetres correction two point two millimetres", valve)
    assert shown(first) == reading("lever_height", "2.1", "mm")
    assert isinstance(second, st.CorrectionSaid)
    assert second.statement is not None
    assert shown(second.statement) == reading("lever_height", "2.2", "mm")
    assert (second.span, second.statement.span) == ((6, 11), (7, 11))

    turned = one("correction orifice in a half turn", valve)
    assert isinstance(turned, st.CorrectionSaid)
    assert isinstance(turned.statement, st.TurnSaid)


def test_a_value_by_itself_needs_a_reading_to_belong_to(valve: Procedure) -> None:
    assert isinstance(one("two point one millimetres", valve), st.NotUnderstood)
    known = Context(last_field="lever_height")
    assert shown(one("two point one millimetres", valve, known)) == reading("lever_height", "2.1", "mm")
    correction = one("correction is two point one millimetres", valve, known)
    assert isinstance(correction, st.CorrectionSaid)
    assert isinstance(correction.statement, st.ReadingSaid)
    assert isinstance(one("correction two point one millimetres", valve), st.Refused)


def test_several_statements_in_one_breath(valve: Procedure) -> None:
    statements = several(
        "stage pressurised supply pressure one thirty five p s i and lever height two point one millimetres "
        "orifice in a quarter turn any leaks no photo lever side",
        valve,
    )
    assert [type(s).__name__ for s in statements] == [
        "StageSaid", "ReadingSaid", "ReadingSaid", "TurnSaid", "CheckSaid", "PhotoSaid",
    ]  # fmt: skip


def test_one_view_needs_no_name(odd: Procedure) -> None:
    assert shown(one("take a photo", odd)) == ("PhotoSaid", "front")


def test_names_that_begin_like_a_number(odd: Procedure) -> None:
    assert shown(one("two o rings fitted lot seven one", odd)) == ("PartSaid", "ring", "fitted", 2, "71")
    assert shown(one("o ring gap ten thou", odd)) == reading("gap", "10", "thou")
    assert shown(one("fitted a c clip lot four", odd)) == ("PartSaid", "clip", "fitted", 1, "4")
    # where the lot ends and the next count begins cannot be known
    for words in ("two o rings fitted lot seven two o rings removed", "two o rings fitted lot seven c clip removed"):
        assert isinstance(several(words, odd)[0], st.Refused)


def test_the_letter_o_only_where_the_pattern_asks_for_it(odd: Procedure) -> None:
    assert shown(one("tag o k seven", odd)) == ("IdentitySaid", "tag", "OK7")


def test_an_instrument_without_number_only_where_none_is_asked_for(valve: Procedure, reducer: Procedure) -> None:
    assert shown(one("using stopwatch", reducer)) == ("InstrumentSaid", "stopwatch", None, None)
    assert isinstance(one("using supply gauge", valve), st.Refused)
    assert isinstance(one("turned the orifice", valve), st.Refused)


def test_minutes_may_go_on(reducer: Procedure) -> None:
    for rest in ("seventy seconds", "thirty", "[unk]", "[unk] seconds", "and [unk] seconds"):
        said = one(f"hold time two minutes {rest}", reducer)
        assert isinstance(said, st.Refused), rest
    time, flow = several("hold time two minutes and inlet pressure two hundred bar", reducer)
    assert shown(time) == reading("hold_time", "2", "min")
    assert shown(flow) == reading("inlet_pressure", "200", "bar")


def test_a_turn_both_ways_is_none(reducer: Procedure) -> None:
    assert shown(one("down the adjuster half a turn", reducer)) == ("TurnSaid", "adjuster", Fraction(-1, 2), "down")
    assert isinstance(one("down the adjuster half a turn up", reducer), st.Refused)


def test_the_degrees_of_a_temperature(odd: Procedure) -> None:
    assert shown(one("water warmth minus two degrees", odd)) == reading("warmth", "-2", "degC", True)
    assert isinstance(one("water warmth ninety degrees", odd), st.Refused)
    assert isinstance(one("water warmth twenty degrees fahrenheit", odd), st.Refused)
    assert isinstance(one("water warmth twenty degrees [unk]", odd), st.Refused)


def test_negative_temperature(odd: Procedure) -> None:
    assert shown(one("water warmth minus two degrees celsius", odd)) == reading("warmth", "-2", "degC")


def test_no_words_no_statements(valve: Procedure) -> None:
    assert parse([], valve) == ()
