"""``benchwitness say`` and ``benchwitness procedure``."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from capture.cli import main
from capture.procedure import shipped


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def test_say_prints_what_would_be_understood(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "say", "lever height 2.1 mm", "correction", "two point two millimetres")
    assert code == 0
    assert "ReadingSaid: lever height, two decimal one millimetres" in out
    assert "CorrectionSaid: correction, lever height, two decimal two millimetres" in out


def test_say_gives_json_and_leaves_with_one_for_what_was_not_taken(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "say", "--json", "correction orifice in a third of a turn and then bananas")
    assert code == 1
    correction, rest = json.loads(out)
    assert correction["statement"] == "CorrectionSaid"
    assert correction["inner"]["turns"] == "1/3"
    assert rest["statement"] == "NotUnderstood"
    assert rest["words"] == "and then bananas"


def test_say_takes_another_procedure_and_the_reading_named_before(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(
        capsys, "say", "--procedure", "pressure_reducer", "--field", "creep", "--json", "one eighty millibar"
    )
    assert code == 0
    assert json.loads(out)[0] | {"words": "", "span": []} == {
        "statement": "ReadingSaid", "words": "", "span": [], "field": "creep", "value": "180", "unit": "mbar",
        "unit_assumed": False, "alternatives": [],
    }  # fmt: skip


def test_say_refuses_an_unknown_procedure(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "say", "--procedure", "nothing", "confirm")
    assert (code, out) == (2, "")
    assert "There is no procedure 'nothing'" in err


def test_procedure_list_check_and_words(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "procedure", "list")
    assert code == 0
    assert "lever_valve" in out
    assert "pressure_reducer" in out
    assert [row["id"] for row in json.loads(run(capsys, "procedure", "list", "--json")[1])] == sorted(shipped())
    code, out, _ = run(capsys, "procedure", "check", "lever_valve")
    assert code == 0
    assert "no faults" in out
    assert json.loads(run(capsys, "procedure", "check", "lever_valve", "--json")[1])["ok"] is True
    code, out, _ = run(capsys, "procedure", "words", "pressure_reducer")
    assert code == 0
    assert out.startswith("# What can be said: First-stage")
    assert "millibar" in json.loads(run(capsys, "procedure", "words", "pressure_reducer", "--json")[1])


def test_procedure_check_names_every_fault(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    text = shipped()["lever_valve"].read_text(encoding="utf-8")
    bad.write_text(
        text.replace('unit = "psi"', 'unit = "psig"').replace("quantity = 3", "quantity = 0"), encoding="utf-8"
    )
    code, out, err = run(capsys, "procedure", "check", str(bad))
    assert (code, out) == (2, "")
    assert "2 faults; correct the file:" in err
    code, out, _ = run(capsys, "procedure", "check", str(bad), "--json")
    assert code == 2
    assert len(json.loads(out)["faults"]) == 2


def test_a_word_that_nobody_can_pronounce_is_a_fault_of_the_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    bad = tmp_path / "bad.toml"
    text = shipped()["lever_valve"].read_text(encoding="utf-8")
    bad.write_text(text.replace('spoken = ["spring pin"]', 'spoken = ["spring zqxwv"]'), encoding="utf-8")
    code, out, err = run(capsys, "procedure", "check", str(bad))
    assert (code, out) == (2, "")
    assert f"{bad}: 1 fault" in err
    code, out, _ = run(capsys, "procedure", "check", str(bad), "--json")
    assert code == 2
    assert "'zqxwv'; give one in the procedure, under [pronunciations]" in json.loads(out)["faults"][0]
