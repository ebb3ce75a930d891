"""The way of the sound: levels, our own voice kept out, spool, sources, microphone that is lost and back."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from capture.bench.live_clock import SoundClock
from capture.bench.live_ear import Ear
from capture.bench.live_gate import TAIL_S, EchoGate
from capture.bench.live_level import RATE, LevelMeter, frame_levels
from capture.bench.live_own import OwnVoice
from capture.bench.live_source import PushedSource, SourceError, StreamResampler
from capture.bench.live_spool import Anchor, Spool, Timeline, left_behind, piece_pcm
from capture.bench.microphone import Microphone, microphones
from capture.judge.entry import Moment
from tests.live.stand_ins import BurstListener, bursts

T0 = datetime(2027, 2, 3, 8, 30, tzinfo=UTC)


def noise(seconds: float, amplitude: float, seed: int = 1) -> bytes:
    made = np.random.default_rng(seed).normal(0, amplitude, int(seconds * RATE))
    return np.clip(made, -32768, 32767).astype("<i2").tobytes()


def tone(seconds: float, amplitude: float) -> bytes:
    wave = amplitude * np.sin(2 * np.pi * 1000 * np.arange(int(seconds * RATE)) / RATE)
    return np.round(wave).astype("<i2").tobytes()


# Levels


def test_a_full_scale_sine_is_3_01_db_below_full_scale() -> None:
    # RMS of a sine is its amplitude / sqrt(2); any textbook of electrical engineering.
    assert LevelMeter().feed(tone(1, 32767)).rms_db == pytest.approx(-3.01, abs=0.01)


def test_speech_begins_and_ends_and_noise_that_stays_becomes_the_floor() -> None:
    meter = LevelMeter()
    assert not meter.feed(noise(2, 60)).speech
    assert meter.feed(noise(0.5, 3000)).speech
    assert not meter.feed(noise(1.0, 60)).speech
    states = [meter.feed(noise(0.5, 900, seed)).speech for seed in range(20)]
    assert not states[-1], "a compressor that started is no speech after some seconds"


@pytest.mark.parametrize(
    ("sound", "fault"),
    [
        (bytes(2 * RATE * 4), "no_signal"),
        (noise(1, 60) + tone(0.5, 32767), "clipping"),
        (b"".join(noise(0.8, 3) + noise(0.6, 60) for _ in range(6)), "too_quiet"),
        (b"".join(noise(0.8, 20) + noise(0.6, 3000) for _ in range(6)), ""),
    ],
)
def test_what_is_wrong_with_the_microphone(sound: bytes, fault: str) -> None:
    assert LevelMeter().feed(sound).fault == fault


@settings(max_examples=25, deadline=None)
@given(some.lists(some.integers(1, 700), max_size=20))
def test_levels_do_not_depend_on_how_the_sound_is_cut(sizes: list[int]) -> None:
    sound = bursts(1)
    whole, pieces = LevelMeter(), LevelMeter()
    at = 0
    for size in [*sizes, len(sound) // 2]:
        pieces.feed(sound[2 * at : 2 * (at + size)])
        at += size
    whole.feed(sound)
    assert pieces.floor_db == pytest.approx(whole.floor_db, abs=1e-9)


# Our own voice

VOICE = bursts(6, pause_s=0.15, burst_s=0.35, seed=5)


def echo(strength: float, more: bytes = b"", at_s: float = 0.0) -> bytes:
    voice = np.frombuffer(VOICE, "<i2").astype(float) * strength
    sound = np.frombuffer(noise(len(VOICE) / 2 / RATE + 1.0, 30), "<i2").astype(float).copy()
    late = int(0.12 * RATE)
    sound[late : late + len(voice)] += voice
    if more:
        begin = int(at_s * RATE)
        spoken = np.frombuffer(more, "<i2").astype(float)[: len(sound) - begin]
        sound[begin : begin + len(spoken)] += spoken
    return np.clip(np.round(sound), -32768, 32767).astype("<i2").tobytes()


def through(gate: EchoGate, sound: bytes) -> tuple[bytes, float | None]:
    gate.voice_begins(VOICE)
    out, barged = b"", None
    for at in range(0, len(sound), 3200):
        passed, over = gate.feed(sound[at : at + 3200], floor_db=-60.0)
        out += passed
        if over and barged is None:
            barged = at / 2 / RATE
            gate.voice_stops()
    return out, barged


@pytest.mark.parametrize("strength", [0.02, 0.1, 0.3, 0.9])
def test_our_voice_is_not_passed_on_and_never_taken_for_the_technician(strength: float) -> None:
    gate = EchoGate()
    for _ in range(3):
        out, barged = through(gate, echo(strength))
        assert barged is None
        assert len(out) == len(echo(strength)), "times in the stream stay true"
        assert frame_levels(out[: len(VOICE)]).max() < -50


def test_who_speaks_over_our_voice_is_passed_on_from_the_first_word() -> None:
    gate = EchoGate()
    through(gate, echo(0.05))
    spoken = noise(1.0, 6000, seed=9)
    out, barged = through(gate, echo(0.05, spoken, at_s=1.0))
    assert barged is not None
    assert barged == pytest.approx(1.2, abs=0.25)
    begin = int(1.0 * RATE) * 2
    assert frame_levels(out[begin + 640 : begin + 3200]).min() > -25, "its first tenth of a second is there"


def test_the_gate_opens_after_our_voice() -> None:
    gate = EchoGate()
    gate.voice_begins(VOICE)
    gate.feed(bytes(len(VOICE) + int((TAIL_S + 0.1) * RATE) * 2), floor_db=-60.0)
    assert not gate.closed
    assert gate.feed(b"\1\0" * 100, -60.0) == (b"\1\0" * 100, False)


def test_the_room_is_known_however_often_we_speak(tmp_path: Path) -> None:
    said: list[bool] = []
    passed: list[bytes] = []
    ear = Ear(
        Spool(tmp_path, "s", {"job": "j"}), Timeline("s"), SoundClock("s"), gated=True,
        hand_on=passed.append, speech=said.append, trouble=lambda sentence: None,
    )  # fmt: skip
    ear.feed(noise(2, 30))
    for _ in range(6):
        ear.voice_begins(VOICE)
        sound = echo(0.05)
        for at in range(0, len(sound), 3200):
            ear.feed(sound[at : at + 3200])
        ear.voice_stops()
        ear.flush()
    ear.close()
    assert said == [], "neither our voice nor the silence after it is the technician"
    levels = frame_levels(b"".join(passed))
    assert np.percentile(levels, 99) < -55
    assert np.percentile(levels, 1) > -65, "what stands in for our voice is as loud as the room"


def test_our_own_words_and_words_over_a_loud_voice_are_doubtful_others_are_not() -> None:
    listener = BurstListener(["one five two", "opening effort one five", "confirm"])
    echoed, over, after = listener.accept(bursts(3, pause_s=1.0))
    own = OwnVoice()
    own.begins("Supply pressure, one five two p s i, not confirmed. Say confirm.", 0)
    own.ends(int(3 * RATE))
    assert [doubt.kind for doubt in own.marked(echoed, 3 * RATE, loud=False).doubts] == ["own_voice"]
    assert own.marked(over, 3 * RATE, loud=False).doubts == (), "a headset does not hear us"
    (doubt,) = own.marked(over, 3 * RATE).doubts
    assert "over the bench's own voice" in doubt.reason
    assert own.marked(after, 6 * RATE).doubts == (), "the answer to a question that was said to its end"


# The spool


def moment(seconds: float) -> Moment:
    return Moment(T0 + timedelta(seconds=seconds), seconds, "s")


def test_sound_is_on_the_disk_as_soon_as_it_came_and_knows_its_times(tmp_path: Path) -> None:
    spool, timeline = Spool(tmp_path, "session-1", {"job": "job-1", "technician": "Rhea Okoro"}), Timeline("session-1")
    sound = bursts(2)
    for at in range(0, len(sound), 3200):
        piece = sound[at : at + 3200]
        begin, count = at // 2, len(piece) // 2
        gap = 7.0 if at >= 32000 else 0.0
        spool.write(piece, begin, timeline.arrived(begin, count, moment((begin + count) / RATE + gap)))
        (left,) = left_behind(tmp_path, "job-1")
        assert left.pcm(0) == sound[: at + len(piece)], "nothing is held back in memory"
    spool.close()
    assert left.technician == "Rhea Okoro"
    assert left.timeline.moment(0.5).mono == pytest.approx(0.5, abs=1e-3)
    assert left.timeline.moment(1.5).mono == pytest.approx(8.5, abs=1e-3)
    assert left.timeline.moment(1.5).at == left.timeline.moment(0.5).at + timedelta(seconds=8)
    assert left.pcm(16000) == sound[32000:]
    assert list(left_behind(tmp_path, "another job")) == []


def test_a_damaged_spool_is_left_alone(tmp_path: Path) -> None:
    folder = tmp_path / "live" / "broken"
    folder.mkdir(parents=True)
    (folder / "session.json").write_text("{", "utf-8")
    assert list(left_behind(tmp_path, "job-1")) == []
    (folder / "session.json").write_text(json.dumps({"job": "job-1", "session": "broken"}), "utf-8")
    (folder / "000000000000.pcm").write_bytes(b"\1\0\2")
    (folder / "times.jsonl").write_text('{"at_sample": 0, "at"', "utf-8")
    (left,) = left_behind(tmp_path, "job-1")
    assert left.pcm(0) == b"\1\0", "half a sample at the end of a crash is not sound"


def test_a_disk_that_refuses_leaves_a_gap_of_silence_not_a_shift(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spool = Spool(tmp_path, "s", {"job": "j"})
    spool.write(b"\1\0" * 1000, 0, Anchor(0, T0, 0.0))
    monkeypatch.setattr("capture.bench.live_spool._write_all", _full)
    with pytest.raises(OSError, match="No space"):
        spool.write(b"\2\0" * 1000, 1000, None)
    monkeypatch.undo()
    spool.write(b"\3\0" * 1000, 2000, None)
    spool.close()
    (left,) = left_behind(tmp_path, "j")
    assert left.pcm(0) == b"\1\0" * 1000 + bytes(2000) + b"\3\0" * 1000
    assert [len(piece_pcm(path)) for path in spool.finished] == [2000, 2000]


def _full(*_: object) -> None:
    raise OSError(28, "No space left on device")


# Sources


@pytest.mark.parametrize("rate", [16000, 48000, 44100, 22050])
def test_any_rate_becomes_16_khz_without_seams(rate: int) -> None:
    seconds = np.arange(rate * 2) / rate
    sound = np.round(8000 * np.sin(2 * np.pi * 1000 * seconds)).astype("<i2").tobytes()
    resampler = StreamResampler(rate)
    out = b"".join(resampler.feed(sound[at : at + 1500]) for at in range(0, len(sound), 1500))
    samples = np.frombuffer(out, "<i2").astype(float)
    assert len(samples) / RATE == pytest.approx(2.0, abs=0.15)
    middle = samples[2000:-2000]
    fitted = np.fft.rfft(middle * np.hanning(len(middle)))
    strongest = np.argmax(np.abs(fitted)) * RATE / len(middle)
    assert strongest == pytest.approx(1000, abs=1)
    others = np.abs(fitted)
    others[max(0, np.argmax(others) - 6) : np.argmax(others) + 7] = 0
    assert 20 * np.log10(others.max() / np.abs(fitted).max()) < -60, "seams would show as other tones"


def test_what_is_pushed_after_the_end_is_dropped() -> None:
    got: list[bytes] = []
    source = PushedSource("page", 16000)
    source.push(b"\1\0")
    source.start(got.append, lambda state, text: None)
    source.push(b"\2\0")
    source.stop()
    source.push(b"\3\0")
    assert b"".join(got) == b"\2\0"


class FakeSound:
    """Stands in for sounddevice: devices that can be unplugged."""

    class PortAudioError(Exception):
        pass

    def __init__(self, *names: str) -> None:
        self.names = list(names)
        self.default = SimpleNamespace(device=[0, 0])
        self.streams: list[Any] = []
        self.only_rate: int | None = None

    def query_devices(self) -> list[dict[str, Any]]:
        inputs = [{"name": name, "max_input_channels": 1, "default_samplerate": 48000.0} for name in self.names]
        return [*inputs, {"name": "loudspeaker", "max_input_channels": 0, "default_samplerate": 48000.0}]

    def RawInputStream(self, *, samplerate: int, callback: Callable[..., None], **facts: Any) -> Any:  # noqa: N802
        if self.only_rate not in {None, samplerate} or facts["device"] not in self.names:
            raise self.PortAudioError("invalid sample rate or device")
        stream = SimpleNamespace(
            active=True, callback=callback, rate=samplerate, start=lambda: None, close=lambda ignore_errors: None
        )
        self.streams.append(stream)
        return stream


def until(true: Callable[[], bool], seconds: float = 5.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it did not come to pass in time"
        time.sleep(0.01)


def test_a_microphone_that_is_lost_is_told_and_taken_up_again() -> None:
    sound = FakeSound("headset", "camera")
    told: list[tuple[str, str]] = []
    got: list[bytes] = []
    microphone = Microphone("head", sound)
    microphone.start(got.append, lambda state, text: told.append((state, text)))
    until(lambda: len(sound.streams) == 1)
    sound.streams[0].callback(b"\1\0" * 1600, 1600, None, None)
    assert b"".join(got) == b"\1\0" * 1600
    sound.names.remove("headset")
    sound.streams[0].active = False
    until(lambda: "lost" in [state for state, _ in told])
    assert "plug it in again" in told[-1][1]
    sound.names.append("headset")
    until(lambda: told[-1][0] == "listening")
    microphone.stop()


def test_a_microphone_of_another_rate_is_converted() -> None:
    sound = FakeSound("headset")
    sound.only_rate = 48000
    got: list[bytes] = []
    microphone = Microphone("", sound)
    microphone.start(got.append, lambda state, text: None)
    until(lambda: len(sound.streams) == 1)
    sound.streams[0].callback(bytes(2 * 48000), 48000, None, None)
    assert len(b"".join(got)) / 2 / RATE == pytest.approx(1.0, abs=0.1)
    microphone.stop()


def test_a_microphone_that_is_not_there_is_named_with_those_that_are() -> None:
    assert [device.name for device in microphones(FakeSound("headset", "camera"))] == ["headset", "camera"]
    with pytest.raises(SourceError, match="no one microphone 'studio' here; there are: headset, camera"):
        Microphone("studio", FakeSound("headset", "camera"))
