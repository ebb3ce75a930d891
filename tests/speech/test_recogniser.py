"""The embedded recogniser on real sound: files, streams, clips, doubts, and models that are not models."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from capture.speech import AudioError, ModelError, Recogniser, read_audio
from capture.speech.decoder import EMBEDDED, lay_out
from capture.speech.graph import build
from capture.speech.heard import Word
from capture.speech.recogniser import unknown_doubts
from capture.speech.vocabulary import Vocabulary

DATA = Path(__file__).parent / "data"
SENTENCES = [
    f"{field} {number} {unit}"
    for field, unit in (("supply pressure", "p s i"), ("lever height", "millimetres"), ("opening effort", "inches"))
    for number in ("one three five", "two point five", "one twenty", "one hundred and ten", "zero point nine")
] + ["what is missing", "correction", "confirm"]


@pytest.fixture(scope="module")
def ear() -> Recogniser:
    return Recogniser(sentences=SENTENCES)


def pcm(name: str) -> bytes:
    return bytes(16000) + read_audio(DATA / f"{name}.flac").pcm() + bytes(16000)


@pytest.mark.parametrize(
    ("name", "text"),
    [("pressure", "supply pressure one three five p s i"), ("lever", "lever height two point five millimetres")],
)
def test_hears_what_is_said(ear: Recogniser, name: str, text: str) -> None:
    (heard,) = ear.hear(pcm(name))
    assert heard.text == text
    assert " ".join(w.text for w in heard.words) == text
    assert "embedded" in heard.engine
    assert heard.second


def test_times_and_clip_are_those_of_the_source(ear: Recogniser) -> None:
    sound = pcm("pressure")
    (heard,) = ear.hear(sound)
    starts = [w.start_s for w in heard.words]
    assert starts == sorted(starts)
    assert 0.3 < heard.start_s < 1.0, "half a second of silence comes first"
    assert heard.end_s < len(sound) / 32000
    assert heard.clip.start_s == pytest.approx(heard.start_s - 0.3, abs=0.01)
    first = 2 * round(heard.clip.start_s * 16000)
    assert heard.clip.pcm == sound[first : first + len(heard.clip.pcm)]
    assert heard.clip.seconds == pytest.approx(heard.end_s - heard.start_s + 0.6, abs=0.05)
    assert read_audio(heard.clip.wav_bytes()).pcm() == heard.clip.pcm


def test_a_stream_in_odd_pieces_gives_the_same(ear: Recogniser) -> None:
    sound = pcm("lever") + bytes(48000) + pcm("pressure")
    whole = ear.hear(sound)
    rng = np.random.default_rng(1)
    found, at = [], 0
    while at < len(sound):
        n = 2 * int(rng.integers(1, 5000))
        found += ear.accept(sound[at : at + n])
        at += n
    found += ear.finish()
    assert [h.text for h in whole] == [h.text for h in found]
    assert len(whole) == 2
    assert whole[1].start_s - whole[0].end_s > 1.0


def test_times_go_on_after_a_finished_stream(ear: Recogniser) -> None:
    sound = pcm("lever")
    begin = ear._taken / 16000
    (first,) = ear.accept(sound) + ear.finish()
    (second,) = ear.accept(sound) + ear.finish()
    assert first.start_s >= begin
    assert second.start_s - first.start_s == pytest.approx(len(sound) / 32000, abs=0.1)


def test_words_come_while_speaking(ear: Recogniser) -> None:
    sound = pcm("pressure")
    ear.accept(sound[: 2 * 16000 * 2])
    assert ear.partial.startswith("supply")
    ear.finish()
    assert ear.partial == ""


def test_silence_says_nothing(ear: Recogniser) -> None:
    assert ear.hear(bytes(32000 * 8)) == []


def test_talk_for_somebody_else_is_never_believed(ear: Recogniser) -> None:
    heard = ear.hear(pcm("weather"))
    assert heard, "it is kept"
    assert all(h.doubts for h in heard)


def test_unknown_sound_is_a_doubt_and_no_word() -> None:
    words = [Word("lever", 0, 0.4, 1), Word("[unk]", 0.4, 0.9, 1), Word("two", 0.9, 1.2, 1)]
    (doubt,) = unknown_doubts(words)
    assert (doubt.kind, doubt.first, doubt.last) == ("unknown", 0, 1)
    (alone,) = unknown_doubts([Word("[unk]", 0.4, 0.9, 1)])
    assert (alone.first, alone.last) == (0, 0)


def test_long_streams_keep_no_more_than_they_need(ear: Recogniser) -> None:
    for _ in range(40):
        ear.accept(bytes(64000))
    assert len(ear._kept) < 45 * 32000
    ear.finish()


def test_half_samples_are_refused(ear: Recogniser) -> None:
    with pytest.raises(AudioError, match="half samples"):
        ear.accept(b"abc")


def test_models_that_are_none(tmp_path: Path) -> None:
    def refused(folder: Path, words: str) -> None:
        with pytest.raises(ModelError, match=words):
            Recogniser(folder, sentences=["one two"])

    refused(tmp_path / "nowhere", "no model directory")
    refused(tmp_path, "no am/final.mdl")
    broken = tmp_path / "broken"
    shutil.copytree(EMBEDDED / "am", broken / "am")
    shutil.copytree(EMBEDDED / "conf", broken / "conf")
    model = broken / "am" / "final.mdl"
    data = model.read_bytes()
    model.write_bytes(data[: len(data) // 2])
    refused(broken, "cut off")
    model.write_bytes(b"hello" * 1000)
    refused(broken, "not an acoustic model")
    (broken / "graph").mkdir()
    model.write_bytes(data)
    refused(broken, "no graph/HCLr.fst")


def test_another_vosk_model_brings_its_own_words(tmp_path: Path) -> None:
    words = Vocabulary.of(SENTENCES)
    folder = tmp_path / "other"
    folder.mkdir()
    lay_out(build(words.phrase_network(), words.pronunciations), EMBEDDED, folder)
    other = Recogniser(folder, sentences=["only these words", "lever"])
    (heard,) = other.hear(pcm("lever"))
    assert heard.text == "lever height two point five millimetres"
    assert "without grammar" in other.name
    assert heard.second == ""
