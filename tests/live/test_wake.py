"""Listening only when called, and only while a key is held."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from capture.bench.live_start import Options, settings_of
from capture.bench.live_wake import AWAKE_S, Called, wake_words, with_wake
from capture.errors import CaptureError, UsageError
from capture.phrases import pronunciations, sentences, vocabulary
from capture.procedure import find, load_procedure, shipped
from capture.procedure.loader import parse_procedure
from capture.speech import Recogniser, read_audio
from capture.speech.errors import NoPronunciation
from capture.speech.heard import Clip, Doubt, Heard, Word
from tests.live.stand_ins import bursts, make_bench

WAKE = (("attention", "workbench"),)


def heard(text: str, at: float, *doubts: tuple[int, int]) -> Heard:
    words = tuple(Word(w, at + 0.3 * i, at + 0.3 * i + 0.25, 1.0) for i, w in enumerate(text.split()))
    end = words[-1].end_s if words else at + 0.2
    raised = tuple(Doubt("disagree", a, b, f"{a} to {b}") for a, b in doubts)
    return Heard(words, text, at, end, Clip(b"\0\0" * 100, 16000, at - 0.3), raised, "stand-in")


class Lines:
    """Hears one prepared utterance with each piece of sound."""

    def __init__(self, *lines: Heard) -> None:
        self.lines = list(lines)
        self.partial = ""

    def accept(self, pcm: bytes) -> list[Heard]:
        return [self.lines.pop(0)] if self.lines else []

    def finish(self) -> list[Heard]:
        return []


def taken(*lines: Heard) -> list[str]:
    called = Called(Lines(*lines), WAKE)
    return [one.text for _ in lines for one in called.accept(b"")]


def test_only_what_follows_the_wake_phrase_is_taken() -> None:
    assert taken(
        heard("supply pressure nine nine p s i", 1),
        heard("attention workbench supply pressure one three five p s i", 10),
    ) == ["supply pressure one three five p s i"]


def test_talk_before_the_wake_phrase_in_the_same_breath_is_left_out() -> None:
    assert taken(heard("note later attention workbench confirm", 1)) == ["confirm"]


def test_the_phrase_alone_opens_for_a_while() -> None:
    assert taken(
        heard("attention workbench", 1),
        heard("confirm", 5),
        heard("what is missing", 5 + AWAKE_S - 1),
        heard("confirm", 200),
    ) == ["confirm", "what is missing"]


def test_doubtful_talk_does_not_keep_it_open() -> None:
    assert taken(
        heard("attention workbench confirm", 1),
        heard("lever one", AWAKE_S, (0, 0)),
        heard("confirm", AWAKE_S + 10),
    ) == ["confirm", "lever one"]


def test_words_doubts_and_sound_stay_together() -> None:
    one = heard("attention workbench lever height two millimetres", 4.0, (1, 1), (4, 4))
    (left,) = Called(Lines(one), WAKE).accept(b"")
    assert [word.text for word in left.words] == ["lever", "height", "two", "millimetres"]
    assert left.words == one.words[2:]
    assert left.clip == one.clip
    assert [(d.first, d.last) for d in left.doubts] == [(0, 0), (2, 2)]


def test_nothing_is_shown_of_talk_that_is_not_for_the_bench() -> None:
    lines = Lines()
    called = Called(lines, WAKE)
    lines.partial = "my brother said"
    assert called.partial == ""
    lines.partial = "attention workbench lever height"
    assert called.partial == "lever height"


def test_shipped_procedures_have_a_phrase_that_the_recogniser_can_learn() -> None:
    from capture.speech import Vocabulary

    for name in shipped():
        wake = wake_words(load_procedure(find(name)))
        assert wake
        examples = with_wake(["confirm", "lever height two millimetres"] * 40, wake)
        assert " ".join([*wake[0], "confirm"]) in examples
        assert Vocabulary.of(examples).sounds(wake[0][-1])


@pytest.mark.parametrize(
    ("wake", "why"),
    [
        ('["workbench"]', "is one word"),
        ('["correction workbench"]', "words of dictation"),
        ('["lever height please"]', "begins like a name"),
    ],
)
def test_a_phrase_that_could_be_mistaken_is_a_fault_of_the_procedure(wake: str, why: str) -> None:
    text = find("lever_valve").read_text(encoding="utf-8").replace('["attention workbench"]', wake)
    with pytest.raises(CaptureError, match=why):
        parse_procedure(text, "x.toml")


def test_a_procedure_without_a_phrase_cannot_be_called(tmp_path: Path) -> None:
    text = find("lever_valve").read_text(encoding="utf-8").replace('wake = ["attention workbench"]\n', "")
    (tmp_path / "mute.toml").write_text(text, encoding="utf-8")
    options = Options(procedures=(str(tmp_path / "mute.toml"),), listen="called")
    with pytest.raises(UsageError, match="no wake phrase"):
        settings_of(options)
    assert settings_of(replace(options, listen="held")).listen == "held"


def test_held_the_microphone_is_shut_until_the_key_is_pressed(tmp_path: Path) -> None:
    bench = make_bench(tmp_path, ["leaks none", "case good"], listening="held")
    try:
        bench.desk.open_job("lever_valve", "Rhea Okoro", "")
        live = bench.desk.live
        shown = bench.desk.board()["sound"]
        assert (shown["listening"], shown["held"]) == (False, True)
        source = bench.desk.browser(16000)
        for on in (False, True, False):
            live.set_listening(on)
            source.push(bursts(1))
        live.do(lambda: None)
        assert [row.body["words"] for row in bench.record.rows() if "heard" in row.body] == ["leaks none"]
    finally:
        bench.desk.close()
        bench.record.close()


@pytest.mark.parametrize("where", ["spoken", "wake"])
def test_a_word_that_nobody_can_pronounce_is_told_when_the_procedure_is_loaded(tmp_path: Path, where: str) -> None:
    text = find("lever_valve").read_text(encoding="utf-8")
    old, new = {
        "spoken": ('spoken = ["spring pin"]', 'spoken = ["spring zqxwv"]'),
        "wake": ('["attention workbench"]', '["attention zqxwv"]'),
    }[where]
    assert old in text
    (tmp_path / "odd.toml").write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(NoPronunciation, match=r"'zqxwv'; give one in the procedure"):
        settings_of(Options(procedures=(str(tmp_path / "odd.toml"),)))
    said = text.replace(old, new).replace("[pronunciations]\n", '[pronunciations]\nzqxwv = ["Z IH1 K S W IY0 V"]\n')
    (tmp_path / "odd.toml").write_text(said, encoding="utf-8")
    assert settings_of(Options(procedures=(str(tmp_path / "odd.toml"),))).procedures


def spoken(text: str, folder: Path) -> bytes:
    """What espeak-ng says, at 16 kHz, with silence around it."""
    program = shutil.which("espeak-ng")
    if program is None:
        pytest.skip("espeak-ng is not installed")
    path = folder / "said.wav"
    subprocess.run([program, "-v", "en-us", "-s", "150", "-w", str(path), text], check=True, capture_output=True)
    return bytes(32000) + read_audio(path).pcm() + bytes(32000)


def test_real_sound_is_taken_when_called_and_left_out_otherwise(tmp_path: Path) -> None:
    procedure = load_procedure(find("lever_valve"))
    said = with_wake([text for text, _ in sentences(procedure, seed=1, count=2000)], WAKE)
    ear = Recogniser(sentences=said, words=vocabulary(procedure), pronunciations=pronunciations(procedure))
    called = Called(ear, WAKE)

    def hears(text: str) -> list[str]:
        sound = spoken(text, tmp_path)
        return [one.text for one in (*called.accept(sound), *called.finish())]

    assert hears("supply pressure one three five p s i") == []
    assert called.left_out == 1
    (text,) = hears("attention workbench lever height two point five millimetres")
    assert text.replace("fife", "five") == "lever height two point five millimetres"
    assert hears("leaks none") == ["leaks none"], "it was called a moment ago"
