"""Sound files: every width and rate, and one clear sentence for everything that is wrong."""

from __future__ import annotations

import io
import struct
import wave
from pathlib import Path

import numpy as np
import pytest

from capture.speech import AudioError, read_audio
from capture.speech.resample import resample


def tone(rate: int, seconds: float = 0.5, f: float = 440.0) -> np.ndarray:
    return 0.5 * np.sin(2 * np.pi * f * np.arange(int(rate * seconds)) / rate)


def wav(x: np.ndarray, rate: int, bits: int, floating: bool = False, channels: int = 1) -> bytes:
    if channels == 2:
        x = np.stack([x, x], 1).reshape(-1)
    if floating:
        body = x.astype(f"<f{bits // 8}").tobytes()
    elif bits == 8:
        body = np.round(x * 127 + 128).astype(np.uint8).tobytes()
    elif bits == 24:
        v = np.round(x * (2**23 - 1)).astype("<i4")
        body = v.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    else:
        body = np.round(x * (2 ** (bits - 1) - 1)).astype(f"<i{bits // 8}").tobytes()
    step = channels * bits // 8
    head = struct.pack("<HHIIHH", 3 if floating else 1, channels, rate, rate * step, step, bits)
    chunks = b"fmt " + struct.pack("<I", 16) + head + b"data" + struct.pack("<I", len(body)) + body
    return b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks


@pytest.mark.parametrize("rate", [8000, 11025, 16000, 22050, 44100, 48000, 96000])
@pytest.mark.parametrize(("bits", "floating"), [(8, False), (16, False), (24, False), (32, False), (32, True)])
@pytest.mark.parametrize("channels", [1, 2])
def test_every_width_and_rate(rate: int, bits: int, floating: bool, channels: int) -> None:
    a = read_audio(wav(tone(rate), rate, bits, floating, channels))
    assert (a.rate, a.source_rate) == (16000, rate)
    want = tone(16000)
    assert abs(len(a.samples) - len(want)) <= 1
    middle = slice(400, 7600)
    assert np.abs(a.samples[: len(want)][middle] - want[middle]).max() < (0.02 if bits == 8 else 1e-3)


def test_python_wave_module_agrees() -> None:
    """Outside reference: Python's own ``wave`` writer."""
    out = io.BytesIO()
    with wave.open(out, "wb") as w:
        w.setnchannels(1)
        w.setsampwidth(2)
        w.setframerate(16000)
        w.writeframes(np.arange(-500, 500, dtype="<i2").tobytes())
    assert read_audio(out.getvalue()).pcm() == np.arange(-500, 500, dtype="<i2").tobytes()


def test_flac(tmp_path: Path) -> None:
    sf = pytest.importorskip("soundfile")
    sf.write(tmp_path / "x.flac", tone(44100), 44100)
    assert read_audio(tmp_path / "x.flac").seconds == pytest.approx(0.5, abs=1e-3)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty; record or copy it again"),
        (b"hello world, no sound here", "neither WAV"),
        (wav(tone(16000), 16000, 16)[:-100], "cut off: 100 bytes"),
        (wav(np.zeros(0), 16000, 16), "no sound"),
        (wav(tone(16000), 16000, 16)[:44], "cut off"),
        (wav(tone(100, 5), 100, 16), "100 samples a second"),
        (wav(tone(16000), 16000, 16)[:36], "without sound data"),
        (wav(tone(16000), 16000, 16).replace(b"fmt ", b"junk"), "sound before its description"),
        (wav(np.zeros(4001 * 601), 4001, 8), "minutes, more than 10"),
        (wav(np.full(100, np.nan), 16000, 32, floating=True), "not numbers"),
        (b"fLaC" + bytes(50), "damaged"),
    ],
)
def test_faults_are_one_sentence(data: bytes, words: str) -> None:
    with pytest.raises(AudioError) as fault:
        read_audio(data, "reading.wav")
    text = str(fault.value)
    assert words in text
    assert text.startswith("reading.wav")
    assert "\n" not in text


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(AudioError, match="no sound file"):
        read_audio(tmp_path / "x.wav")


def test_resampling_keeps_what_fits_and_drops_the_rest() -> None:
    kept = resample(tone(48000, f=6000.0).astype(np.float32), 48000, 16000)
    gone = resample(tone(48000, f=9500.0).astype(np.float32), 48000, 16000)
    assert np.sqrt((kept[500:-500] ** 2).mean()) == pytest.approx(0.5 / np.sqrt(2), rel=1e-3)
    assert np.sqrt((gone[500:-500] ** 2).mean()) < 1e-4
