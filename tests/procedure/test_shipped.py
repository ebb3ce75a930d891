"""The shipped procedures, and how a file becomes a procedure."""

from __future__ import annotations

import ast
import hashlib
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest

import capture
from capture.procedure import Procedure, load_procedure, parse_procedure, shipped
from capture.procedure.lines import scan
from capture.procedure.model import Change, Limit, Need, Order, Rate, Unlock


@pytest.fixture(params=sorted(shipped()))
def procedure(request: pytest.FixtureRequest) -> Procedure:
    return load_procedure(shipped()[request.param])


def test_the_two_of_them_are_there_under_their_ids() -> None:
    assert sorted(shipped()) == ["lever_valve", "pressure_reducer"]
    for id_, path in shipped().items():
        assert load_procedure(path).id == id_


def test_each_has_cautions_and_says_that_its_limits_are_invented(procedure: Procedure) -> None:
    assert len(procedure.cautions) >= 2
    assert "invented" in procedure.source
    assert any("maker's manual" in caution for caution in procedure.cautions)
    assert all(limit.source for reading in procedure.readings for limit in reading.limits)


def test_every_reading_counter_check_and_part_is_needed_somewhere_or_an_observation(procedure: Procedure) -> None:
    needs = {need for stage in procedure.stages for need in stage.needs}
    for reading in procedure.readings:
        assert Need("reading", reading.id) in needs
    for check in procedure.checks:
        assert Need("check", check.id) in needs or not check.good
    for limit_stage in {limit.stage for reading in procedure.readings for limit in reading.limits}:
        assert procedure.stage(limit_stage)


def test_the_two_differ_in_quantities() -> None:
    valve, reducer = (load_procedure(path) for path in shipped().values())
    assert {r.quantity for r in valve.readings} == {"length", "pressure"}
    assert {"torque", "time"} <= {r.quantity for r in reducer.readings}


def test_amounts_are_exact_and_parts_are_read_into_place() -> None:
    valve = load_procedure(shipped()["lever_valve"])
    height = valve.reading("lever_height")
    assert height.limit_at("assembled") == Limit("assembled", Decimal("2.4"), Decimal("3.6"), valve.source)
    assert height.limit_at("as_received") is None
    assert height.changes[0] == Change("assembled", "pressurised", Decimal("-1.6"), Decimal("-0.6"), valve.source)
    assert height.rates == (Rate("orifice", Fraction(1, 12), Decimal("-0.35"), Decimal("-0.15"), valve.source),)
    assert valve.reading("opening_effort").changes[-1].repeat
    locked = valve.counter("orifice").budgets[-1]
    assert (locked.turns, locked.moves) == (Fraction(1, 12), 1)
    assert locked.unlock == Unlock("opening_effort", Decimal("1.0"), None)
    assert locked.source.startswith("Scenario")
    assert valve.part("sealing_ring").quantity == 3
    assert valve.photo("lever_side").rim_diameter_mm == 60
    assert valve.orders[0] == Order(
        Need("check", "spring_pin"), Need("check", "lever_upright"),
        "The spring pin is centred before the lever is fitted.",
    )  # fmt: skip
    assert valve.role("reviewer").differs_from == ("technician",)
    assert valve.check("hose").good == ()
    with pytest.raises(KeyError):
        valve.stage("nowhere")


def test_the_digest_is_that_of_the_text() -> None:
    path = shipped()["lever_valve"]
    procedure = load_procedure(path)
    assert procedure.text == path.read_text(encoding="utf-8")
    assert procedure.digest == hashlib.sha256(procedure.text.encode()).hexdigest()


def test_line_ends_of_another_system_and_a_byte_order_mark_change_nothing(tmp_path: Path) -> None:
    text = shipped()["lever_valve"].read_text(encoding="utf-8")
    other = tmp_path / "other.toml"
    other.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert load_procedure(other) == parse_procedure(text, "here")


def test_no_module_knows_a_procedure_by_name() -> None:
    """Nothing is wired in: the ids of the shipped procedures and of their parts occur in no program text."""
    words = set(shipped())
    for path in shipped().values():
        procedure = load_procedure(path)
        things = (procedure.readings, procedure.counters, procedure.checks, procedure.parts, procedure.photos)
        words |= {item.id for items in things for item in items if "_" in item.id}
    room = Path(capture.__file__).parent
    for module in [*room.glob("*.py"), *(room / "procedure").glob("*.py"), *(room / "phrases").glob("*.py")]:
        tree = ast.parse(module.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                assert node.value not in words, f"{module.name}: {node.value}"


def test_line_scan_finds_tables_keys_and_inline_values() -> None:
    text = '''# title
[a]
x = 1
y = """
z = 2
""" # ]
w = [ # [
  "]",
  'it"s',
]
[[b]]
id = "p"
[[b.c]]
k = { m = 1, n = [2] }
[[b]]
id = "q"
[[b.c]]
"quoted" = 3
[b.d]
e.f = 1
'''
    lines = scan(text)
    found = {
        ("a",): 2, ("a", "x"): 3, ("a", "y"): 4, ("a", "w"): 7, ("b", 0): 11, ("b", 0, "id"): 12, ("b", 0, "c", 0): 13,
        ("b", 0, "c", 0, "k"): 14, ("b", 0, "c", 0, "k", "m"): 14, ("b", 1): 15, ("b", 1, "id"): 16,
        ("b", 1, "c", 0): 17, ("b", 1, "c", 0, "quoted"): 18, ("b", 1, "d"): 19, (): 1, ("z",): 1,
        ("a", "z"): 2,
    }  # fmt: skip
    assert {path: lines.at(path) for path in found} == found
