"""When an utterance is over: whole sentences end soon, begun ones are waited for, and nothing of the sound is lost."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from capture.speech import Recogniser, read_audio
from capture.speech.ending import Ending, Sentences, Silence, Waits
from capture.speech.language import network

DATA = Path(__file__).parent / "data"
SENTENCES = [
    f"{field} {number} {unit}"
    for field, unit in (("supply pressure", "p s i"), ("lever height", "millimetres"), ("effort", "inches of water"))
    for number in ("one three five", "two point five", "one twenty", "one hundred and ten", "zero point nine")
] + ["serial number kilo seven", "serial number kilo seven four one", "serial number kilo seven nine", "confirm"]
ROOM = np.random.default_rng(3)


@pytest.fixture(scope="module")
def sentences() -> Sentences:
    return Sentences(network([s.split() for s in SENTENCES]))


@pytest.fixture(scope="module")
def ear() -> Recogniser:
    return Recogniser(sentences=SENTENCES)


def room(seconds: float) -> bytes:
    return np.round(ROOM.normal(0, 4, int(16000 * seconds))).astype("<i2").tobytes()


def tone(seconds: float, level: float = 3000.0) -> bytes:
    t = np.arange(int(16000 * seconds)) / 16000
    return np.round(level * np.sin(2 * np.pi * 300 * t)).astype("<i2").tobytes()


def test_a_whole_sentence_is_over_and_a_begun_one_is_not(sentences: Sentences) -> None:
    whole = sentences.over(["lever", "height", "two", "point", "five", "millimetres"])
    begun = sentences.over(["lever", "height", "two", "point"])
    assert whole > 0.5
    assert begun < 0.05
    assert sentences.over(["confirm"]) > 0.5


def test_a_unit_that_goes_on_is_not_over(sentences: Sentences) -> None:
    assert sentences.over(["effort", "two", "point", "five", "inches"]) < 0.1
    assert sentences.over(["effort", "two", "point", "five", "inches", "of", "water"]) > 0.5


def test_within_a_serial_number_it_may_be_over(sentences: Sentences) -> None:
    assert 0.02 < sentences.over(["serial", "number", "kilo", "seven"]) < 0.9


def test_words_that_cannot_be_are_not_over(sentences: Sentences) -> None:
    assert sentences.over(["weather"]) == 0.0


def test_silence_is_counted_from_the_last_sound_and_survives_a_click() -> None:
    silence = Silence()
    for _ in range(5):
        silence.feed(room(0.2))
    assert silence.feed(tone(0.5)) == 0.0
    assert silence.feed(room(0.4)) == pytest.approx(0.4, abs=0.03)
    assert silence.feed(tone(0.02)) > 0.3
    assert silence.feed(room(0.2)) == pytest.approx(0.62, abs=0.05)
    assert silence.feed(tone(0.2)) == 0.0


def test_silence_under_noise_is_noise_without_speech() -> None:
    noise = np.round(ROOM.normal(0, 300, 16000 * 3)).astype(np.int16)
    silence = Silence()
    silence.feed(noise[:16000].tobytes())
    speech = np.frombuffer(tone(1.0), np.int16) + noise[16000:32000]
    assert silence.feed(speech.astype("<i2").tobytes()) == 0.0
    assert silence.feed(noise[32000:].tobytes()) == pytest.approx(1.0, abs=0.1)


def test_begun_sentences_are_waited_for_longer(sentences: Sentences) -> None:
    def waited(words: str) -> float:
        ending = Ending(sentences, Waits(whole=0.5, perhaps=0.8, begun=1.2))
        ending.quiet_s(room(1.0))
        ending.quiet_s(tone(1.0))
        for tenth in range(1, 30):
            quiet_s = ending.quiet_s(room(0.1))
            if ending.worth_a_look(quiet_s) and ending.over(quiet_s, words if tenth > 2 else ""):
                return tenth / 10
        return 9.0

    assert waited("lever height two point five millimetres") == pytest.approx(0.5, abs=0.11)
    assert waited("serial number kilo seven") == pytest.approx(0.8, abs=0.11)
    assert waited("lever height two point") == pytest.approx(1.2, abs=0.11)


def test_the_final_words_come_before_the_decoder_would_say_so(ear: Recogniser) -> None:
    """By the sound's own clock: the decoder alone waits for more than 0.9 s, as its settings and look-ahead say."""
    sound = room(0.5) + read_audio(DATA / "lever.flac").pcm() + room(3.0)
    last = _last_sound(sound)
    for at in range(0, len(sound), 3200):
        if heard := ear.accept(sound[at : at + 3200]):
            break
    ear.finish()
    (one,) = heard
    assert one.text == "lever height two point five millimetres"
    assert (at + 3200) / 32000 - last < 0.85


def test_a_breath_within_a_sentence_does_not_cut_it(ear: Recogniser) -> None:
    sound = read_audio(DATA / "pressure.flac").pcm()
    heard = ear.hear(room(0.5) + sound + room(1.0))
    (whole,) = heard
    cut = int((whole.words[2].start_s - 0.5) * 16000) * 2
    for pause in (0.4, 0.6):
        parted = ear.hear(room(0.5) + sound[:cut] + room(pause) + sound[cut:] + room(1.0))
        assert len(parted) == 1, f"cut in two by a pause of {pause} s"


def test_each_clip_is_the_exact_sound_with_a_margin(ear: Recogniser) -> None:
    """Several utterances of one stream, ended early: each clip equals the stream, 0.3 s before and after the words."""
    sound = b"".join(room(0.7) + read_audio(DATA / f"{name}.flac").pcm() for name in ("lever", "pressure", "lever"))
    sound += room(2.0)
    found = [h for at in range(0, len(sound), 3200) for h in ear.accept(sound[at : at + 3200])] + ear.finish()
    begin = ear._taken - len(sound) // 2
    texts = [one.text.split()[0] for one in found]
    assert texts == ["lever", "supply", "lever"]
    for one in found:
        first = 2 * (round(one.clip.start_s * 16000) - begin)
        assert one.clip.pcm == sound[first : first + len(one.clip.pcm)]
        assert one.clip.start_s == pytest.approx(one.start_s - 0.3, abs=0.01)
        assert one.clip.start_s + one.clip.seconds == pytest.approx(one.end_s + 0.3, abs=0.05)


def _last_sound(pcm: bytes) -> float:
    x = np.abs(np.frombuffer(pcm, "<i2").astype(np.int32))
    return float(np.flatnonzero(x > 0.02 * x.max())[-1]) / 16000
