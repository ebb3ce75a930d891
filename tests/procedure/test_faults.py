"""A bad procedure file is refused with every fault at once, each with its line and what to do."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture.errors import ProcedureError, UsageError
from capture.procedure import find, load_procedure, parse_procedure, shipped

GOOD = shipped()["lever_valve"].read_text(encoding="utf-8")

# (old text, new text, text on the line that is blamed, what the message says)
FAULTS = [
    ('version = "1.0"', "version = 1.0", "version = 1.0", "'version' must be a text"),
    ('version = "1.0"', 'version = "1.0"\ncolour = "red"', "colour", "'colour' is not a key here; use id, name"),
    ('version = "1.0"\n', "", "[procedure]", "the key 'version' is missing; add it."),
    ('id = "lever_valve"', 'id = "Lever valve"', 'id = "Lever', "'id' must be an id: lower-case"),
    ('spoken = ["depth gauge"]', 'spoken = ["Depth gauge"]', 'spoken = ["Depth', "lower-case words"),
    ('spoken = ["depth gauge"]', 'spoken = ["gauge 2"]', 'spoken = ["gauge 2', "numbers written as words"),
    ('spoken = ["depth gauge"]', "spoken = []", "spoken = []", "list of one or more texts"),
    (
        'spoken = ["depth gauge"]',
        'spoken = ["supply gauge"]',
        'spoken = ["supply gauge"]',
        "are both said 'supply gauge'",
    ),
    ('spoken = ["depth gauge"]', 'spoken = ["lever height"]', 'spoken = ["lever height", "lever', "are both said"),
    ('spoken = ["depth gauge"]', 'spoken = ["k"]', 'spoken = ["k"]', "is also a letter or digit"),
    ('spoken = ["depth gauge"]', 'spoken = ["two gauge"]', 'spoken = ["two', "begins with 'two', a word of dictation"),
    ('spoken = ["depth gauge"]', 'spoken = ["correction gauge"]', 'spoken = ["corr', "a word of dictation"),
    ('pattern = "[A-Z0-9-]{1,8}"', 'pattern = "[A-Z"', 'pattern = "[A-Z"', "not a regular expression"),
    ('pattern = "[A-Z0-9-]{1,8}"', 'pattern = "[a-z]{3}"', 'pattern = "[a-z]', "can be spelled aloud; build it of"),
    ('pattern = "[A-Z0-9-]{1,8}"', 'pattern = "#[0-9]+"', 'pattern = "#[0-9]', "can be spelled aloud; build it of"),
    ('unit = "psi"', 'unit = "psig"', 'unit = "psig"', "there is no unit 'psig'; use one of Pa"),
    ('unit = "psi"', 'unit = "mm"', 'unit = "mm"', "'mm' is a unit of length, not of pressure"),
    ("resolution = 0.05\n", "", "[[instrument]]", "'resolution' or 'standard_uncertainty' is missing"),
    ("resolution = 0.05", "resolution = 0", "resolution = 0", "must be above zero"),
    ('units = ["mm", "in"]', 'units = ["mm", "psi"]', 'units = ["mm", "psi"]', "not of length"),
    ('units = ["mm", "in"]', 'units = ["mm", "mm"]', 'units = ["mm", "mm"]', "unit 'mm' is used twice"),
    ('quantity = "length"\nunits', 'quantity = "size"\nunits', 'quantity = "size"', "there is no quantity 'size'"),
    ("plausible_low = -3", "plausible_low = 30", "plausible_low = 30", "is above 'plausible_high' 12"),
    ("plausible_low = -3", 'plausible_low = "-3"', "plausible_low = ", "must be a number"),
    ("decimals = 0", "decimals = 9", "decimals = 9", "must be 6 or less"),
    ("decimals = 0", "decimals = true", "decimals = true", "must be a whole number"),
    ('rule = "guard_band"', 'rule = "generous"', 'rule = "generous"', "one of guard_band, simple"),
    ('instrument = "depth_gauge"', 'instrument = "ruler"', 'instrument = "ruler"', "there is no instrument 'ruler'"),
    ('instrument = "depth_gauge"', 'instrument = "supply_gauge"', 'instrument = "supply_gauge"', "measures pressure"),
    ("low = 2.4\nhigh = 3.6", "low = 3.6\nhigh = 2.4", "low = 3.6", "'low' 3.6 is above 'high' 2.4"),
    ("low = 2.4\nhigh = 3.6", "low = 2.4\nhigh = 36", "high = 36", "outside the plausible range -3 to 12"),
    ("low = 2.4\nhigh = 3.6\n", "", '[[reading.limit]]\nstage = "assembled"', "neither 'low' nor 'high'"),
    (
        'from = "assembled"\nto = "pressurised"',
        'from = "pressurised"\nto = "assembled"',
        'to = "assembled"',
        "does not come after",
    ),
    ('from = "assembled"', 'from = "unboxed"', 'from = "unboxed"', "there is no stage 'unboxed'; add it or use one of"),
    ('per = "1/12"\nlow = -0.35', 'per = "0"\nlow = -0.35', 'per = "0"', "turns above zero as a fraction"),
    (
        'counter = "orifice"\nper = "1/12"\nlow = -0.35',
        'counter = "screw"\nper = "1/12"\nlow = -0.35',
        'counter = "screw"',
        "no counter 'screw'",
    ),
    ('smallest_step = "1/24"', 'smallest_step = "1/7"', 'turns = "1/2"', "not a multiple of 'smallest_step' 1/7"),
    (
        'spoken = ["in", "clockwise"]\nsign = 1',
        'spoken = ["in", "clockwise"]\nsign = -1',
        "[[counter.direction]]",
        "both ways of turning are needed",
    ),
    ("sign = -1", "sign = 2", "sign = 2", "must be 1 or -1"),
    (
        'unlock = { reading = "opening_effort", below = 1.0 }',
        'unlock = { reading = "opening_effort" }',
        "unlock = {",
        "exactly one",
    ),
    (
        'unlock = { reading = "opening_effort", below = 1.0 }',
        'unlock = { reading = "effort", below = 1.0 }',
        "unlock = {",
        "no reading 'effort'",
    ),
    ('good = ["smooth"]', 'good = ["shiny"]', 'good = ["shiny"]', "no answer 'shiny'; use one of smooth"),
    (
        '{ id = "worn", spoken = ["worn"] },\n]\ngood = ["smooth"]',
        '{ id = "worn", spoken = ["good"] },\n]\ngood = ["smooth"]',
        "answer = [",
        "are both said 'good'",
    ),
    (
        'spoken = ["out", "anticlockwise", "counterclockwise"]',
        'spoken = ["in", "anticlockwise", "counterclockwise"]',
        'spoken = ["in", "anticlockwise',
        "are both said 'in'",
    ),
    ('spoken = ["in", "clockwise"]', 'spoken = ["half"]', 'spoken = ["half"]', "begins with 'half', a word of numbers"),
    ("[[order]]", "[[orders]]", "[[orders]]", "'orders' is not a key here"),
    ("quantity = 3", "quantity = 0", "quantity = 0", "must be 1 or more"),
    ("interval_months = 12", "interval_months = 0", "interval_months = 0", "must be 1 to 600"),
    ("quantity = 3", "quantity = -3", "quantity = -3", "whole number, 0 or more"),
    ("rim_diameter_mm = 60\n", "", "[[photo]]", "'rim_diameter_mm' is missing"),
    ("rim_diameter_mm = 60", "rim_diameter_mm = -60", "rim_diameter_mm", "above zero"),
    (
        'reading = "lever_height"\nrim',
        'reading = "opening_effort"\nrim',
        'reading = "opening_effort"',
        "a picture measures a length",
    ),
    ('measures = "tip_height"', 'measures = "colour"', 'measures = "colour"', '"tip_height", or left out'),
    ('"check seat_edge"', '"check seat"', "needs = [", "there is no check 'seat'"),
    ('"check seat_edge"', '"inspect seat_edge"', "needs = [", "'inspect seat_edge' is not a need"),
    ('"check seat_edge"', '"check case_condition"', "needs = [", "need 'check case_condition' is used twice"),
    ('then = "check lever_upright"', 'then = "check lever"', 'then = "check lever"', "there is no check 'lever'"),
    ('first = "check spring_pin"', 'first = "reading lever_height"', "[[order]]", "would have to come before itself"),
    ('differs_from = ["technician"]', 'differs_from = ["owner"]', "differs_from", "there is no role 'owner'"),
    ('differs_from = ["technician"]', 'differs_from = ["reviewer"]', "differs_from", "cannot differ from itself"),
    (
        'id = "reviewer"',
        'id = "technician"',
        'id = "technician"\nname = "Reviewer"',
        "role id 'technician' is used twice",
    ),
    ('["P R EH1', '["P R XX1', "[pronunciations]", "ARPAbet transcriptions"),
    ("[pronunciations]", "[pronounced]", "[pronounced]", "'pronounced' is not a key here"),
]


def blamed_line(text: str, fragment: str) -> int:
    """The number of the line on which ``fragment`` begins (its last occurrence may be what is meant: all count)."""
    return text[: text.index(fragment)].count("\n") + 1


def lines_of(text: str, fragment: str) -> set[int]:
    first = fragment.split("\n")[0]
    if "\n" in fragment:
        return {blamed_line(text, fragment), blamed_line(text, fragment) + 1}
    return {number for number, line in enumerate(text.splitlines(), 1) if first in line}


@pytest.mark.parametrize(("old", "new", "fragment", "says"), FAULTS)
def test_each_fault_is_named_with_its_line(old: str, new: str, fragment: str, says: str) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    with pytest.raises(ProcedureError) as caught:
        parse_procedure(text, "bad.toml")
    matching = [fault for fault in caught.value.faults if says in fault]
    assert matching, caught.value.faults
    line = int(matching[0].removeprefix("line ").split(":")[0])
    assert line in lines_of(text, fragment), (line, matching)
    assert len(caught.value.faults) <= 3, caught.value.faults


def test_all_faults_come_at_once_in_the_order_of_the_file() -> None:
    text = GOOD
    for old, new in (
        ('unit = "psi"', 'unit = "psig"'),
        ("quantity = 3", "quantity = 0"),
        ("decimals = 0", "decimals = 9"),
    ):
        text = text.replace(old, new, 1)
    with pytest.raises(ProcedureError, match=r"bad\.toml: 3 faults; correct the file:") as caught:
        parse_procedure(text, "bad.toml")
    lines = [int(fault.removeprefix("line ").split(":")[0]) for fault in caught.value.faults]
    assert lines == sorted(lines)
    assert len(lines) == 3


@pytest.mark.parametrize(
    "text", ["", "= 3", "[procedure", 'a = "', "[[role]\n", "[role]\n[[role]]", "a = " + "[" * 3000]
)
def test_what_is_no_toml_or_empty_is_one_clear_error(text: str) -> None:
    with pytest.raises(ProcedureError, match=r"bad\.toml: \d+ faults?; correct the file:"):
        parse_procedure(text, "bad.toml")


def test_wrong_types_everywhere_never_crash_the_checker() -> None:
    import tomllib

    for key in tomllib.loads(GOOD):
        for value in ("3", '"x"', "true", "[]", "[3]", "{ a = 1 }", "[{ a = 1 }]", "[[]]", "1979-05-27", "nan"):
            with pytest.raises(ProcedureError):
                parse_procedure(f"{key} = {value}\n", "bad.toml")


def test_every_value_replaced_by_another_type_is_a_fault_or_a_procedure() -> None:
    lines = GOOD.splitlines()
    values = ("3", '"x"', "true", "[]", "{}", "-1.5", "[3]", "nan", "inf", "12:30:00")
    refused = 0
    for number, line in enumerate(lines):
        if " = " not in line or line.startswith("#") or line.rstrip().endswith(("[", ",")):
            continue
        value = values[number % len(values)]
        text = "\n".join((*lines[:number], f"{line.split(' = ')[0]} = {value}", *lines[number + 1 :]))
        refused += bool(faults_of(text))
    assert refused > 100


def faults_of(text: str) -> tuple[str, ...]:
    try:
        parse_procedure(text, "bad.toml")
    except ProcedureError as error:
        return error.faults
    return ()


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        load_procedure(tmp_path / "none.toml")
    with pytest.raises(UsageError, match="cannot be read"):
        load_procedure(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b'name = "caf\xe9"')
    with pytest.raises(ProcedureError, match="not UTF-8 text \\(byte 11\\)"):
        load_procedure(tmp_path / "latin.toml")
    (tmp_path / "huge.toml").write_bytes(b"#" * 1_000_001)
    with pytest.raises(UsageError, match="larger than 1000000 bytes"):
        load_procedure(tmp_path / "huge.toml")


def test_find_takes_an_id_or_a_path(tmp_path: Path) -> None:
    assert find("lever_valve") == shipped()["lever_valve"]
    own = tmp_path / "own.toml"
    own.write_text(GOOD, encoding="utf-8")
    assert find(str(own)) == own
    with pytest.raises(UsageError, match=r"no procedure 'nothing'; name a TOML file or one of .*pressure_reducer"):
        find("nothing")
