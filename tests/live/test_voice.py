"""Our voice and sounds: said once, cut off at once, told when done, whoever plays it."""

from __future__ import annotations

import io
import shutil
import sys
import time
import wave
from collections.abc import Callable

import numpy as np
import pytest

from capture.bench.tones import TONES, as_json
from capture.bench.voice import LONGEST_TEXT, RATE, MachineVoice, NoVoice, PageVoice, Synthesiser, wav_of

SOUND = (8000 * np.sin(np.arange(RATE // 4) / 5)).astype("<i2").tobytes()
LISTENER = (sys.executable, "-c", "import sys, time; n = len(sys.stdin.buffer.read()); time.sleep(n / 32000)")


class Fixed(Synthesiser):
    """Says a quarter of a second of tone, whatever is to be said."""

    def __init__(self, sound: bytes = SOUND) -> None:
        self.sound = sound

    def render(self, text: str) -> bytes:
        return self.sound


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + 5
    while not true():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_espeak_says_words_that_differ() -> None:
    found = Synthesiser.found()
    if found is None:
        pytest.skip("espeak-ng is not installed")
    one, two = found.render("one five two"), found.render("supply pressure, one three eight p s i")
    assert len(one) / 2 / RATE == pytest.approx(1.0, abs=0.5)
    assert len(two) > 1.5 * len(one)
    assert np.abs(np.frombuffer(one, "<i2")).max() > 3000
    assert len(found.render("word " * 5000)) <= len(found.render("word " * (LONGEST_TEXT // 5))) * 1.1
    assert found.render("-f /etc/passwd --version") != b"", "options inside a text are only text"


def test_a_synthesiser_that_fails_says_nothing() -> None:
    assert Synthesiser("/nowhere/espeak").render("one") == b""
    assert Synthesiser(shutil.which("false") or "false").render("one") == b""


def test_no_voice_is_done_at_once() -> None:
    done: list[int] = []
    assert NoVoice().say("one", 7, done.append) == b""
    assert done == [7]


def test_the_machine_plays_to_the_end_or_is_cut_off() -> None:
    done: list[int] = []
    voice = MachineVoice(Fixed(), LISTENER)
    assert voice.say("one", 1, done.append) == SOUND
    until(lambda: done == [1])
    long = MachineVoice(Fixed(SOUND * 100), LISTENER)
    begun = time.monotonic()
    long.say("long", 2, done.append)
    long.hush()
    time.sleep(0.2)
    assert time.monotonic() - begun < 2
    assert done == [1], "what was cut off is not done"


def test_a_player_that_is_not_there_holds_nothing_up() -> None:
    done: list[int] = []
    assert MachineVoice(Fixed(), ("/nowhere/player",)).say("one", 1, done.append) == b""
    assert MachineVoice(Fixed(b""), LISTENER).say("one", 2, done.append) == b""
    assert done == [1, 2]


def test_the_page_plays_and_reports_the_end() -> None:
    done: list[int] = []
    shown: list[int] = []

    def show(number: int) -> bool:
        shown.append(number)
        return True

    voice = PageVoice(Fixed(), show)
    voice.say("one", 1, done.append)
    assert voice.wav(2) is None
    with wave.open(io.BytesIO(voice.wav(1) or b"")) as sound:
        assert (sound.getframerate(), sound.getnframes()) == (RATE, RATE // 4)
    voice.ended(99)
    assert done == []
    voice.ended(1)
    assert done == [1]
    assert voice.wav(1) is None
    voice.say("two", 2, done.append)
    voice.hush()
    voice.ended(2)
    assert (shown, done) == ([1, 2, 0], [1])


def test_a_page_that_is_away_holds_nothing_up(monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[int] = []
    assert PageVoice(Fixed(), lambda number: False).say("one", 1, done.append) == b""
    assert done == [1]
    monkeypatch.setattr("capture.bench.voice._LATE_S", 0.05)
    PageVoice(Fixed(), lambda number: True).say("two", 2, done.append)
    until(lambda: done == [1, 2])


def test_the_three_sounds_differ_in_rhythm_pitch_and_length() -> None:
    shapes = {cue: [round(note.at_s, 2) for note in notes] for cue, notes in TONES.items()}
    assert {cue: len(notes) for cue, notes in shapes.items()} == {"heard": 1, "stored": 2, "warning": 3}
    stored, warning = ([note.hertz for note in TONES[cue]] for cue in ("stored", "warning"))
    assert stored == sorted(stored), "it rises"
    assert warning == sorted(warning, reverse=True), "it falls"
    ends = {cue: max(note.at_s + note.lasts_s for note in notes) for cue, notes in TONES.items()}
    assert ends["heard"] < ends["stored"] < ends["warning"] < 1
    assert as_json()["heard"][0]["wave"] == "sine"


def test_wav_is_what_it_says() -> None:
    with wave.open(io.BytesIO(wav_of(SOUND))) as sound:
        assert (sound.getnchannels(), sound.getsampwidth(), sound.readframes(99999)) == (1, 2, SOUND)
