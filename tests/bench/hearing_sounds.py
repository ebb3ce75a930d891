"""Speech and noise to measure hearing with; none of it was trained on.

Readings are spoken by flite's "slt", festival's "us-slt-hts" (Debian festvox-us-slt-hts) and, where the Python package
``hibari-tts`` is installed, its voice at two speeds. Noise is made here, by other means than in training.
"""

from __future__ import annotations

import csv
import random
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt

from capture.speech import read_audio

RATE = 16000
SHARED = Path(__file__).resolve().parents[3] / "shared" / "speech" / "eval"
Samples = npt.NDArray[np.float32]
Speaker = Callable[[str, Path], None]


@dataclass(frozen=True)
class Sound:
    """One recording: where it comes from, what is said, the samples at 16 kHz in -1..1."""

    set: str
    kind: str
    words: str
    samples: Samples


def recorded(folder: Path = SHARED) -> Iterator[Sound]:
    """The real people of the evaluation folder."""
    with (folder / "manifest.tsv").open(encoding="utf-8", newline="") as f:
        for row in csv.DictReader(f, delimiter="\t"):
            words = row["transcript"].lower().replace("x ray", "x-ray")
            yield Sound(row["set"], row["kind"], words, read_audio(folder / row["file"]).samples)


def flite(text: str, path: Path) -> None:
    """flite's "slt"."""
    subprocess.run(["flite", "-voice", "slt", "-t", text, "-o", str(path)], check=True, capture_output=True)


def festival(text: str, path: Path) -> None:
    """festival's "us-slt-hts"."""
    script = f'(voice_cmu_us_slt_arctic_hts) (utt.save.wave (utt.synth (Utterance Text "{text}")) "{path}" \'riff)'
    subprocess.run(["festival", "--pipe"], input=script, text=True, check=True, capture_output=True)


class Hibari:
    """The voice that ``hibari-tts`` carries, at two speeds."""

    SPEEDS = (0.9, 1.15)

    def __init__(self) -> None:
        """Load it; ImportError where the package is missing."""
        import hibari

        self.write, self.voice = hibari.write_wav, hibari.Hibari()

    def speak(self, speed: float, text: str, path: Path) -> None:
        """Speak into a WAV file."""
        self.write(str(path), self.voice(text, speed=speed, seed=1))


def speakers() -> dict[str, Speaker]:
    """The voices that are here: name to function of text and path."""
    found: dict[str, Speaker] = {"flite slt": flite, "festival slt-hts": festival}
    try:
        hibari = Hibari()
    except ImportError:
        return found
    for speed in Hibari.SPEEDS:
        found[f"hibari {speed}"] = partial(hibari.speak, speed)
    return found


def spoken(texts: Sequence[str], keep: Path) -> Iterator[Sound]:
    """The texts, each by one of the voices in turn; made once and kept in a folder."""
    keep.mkdir(parents=True, exist_ok=True)
    voices = speakers()
    names = list(voices)
    for i, text in enumerate(texts):
        name = names[i % len(names)]
        path = keep / f"{i:05d}-{name.replace(' ', '_')}.wav"
        mark = path.with_suffix(".txt")
        if not (path.is_file() and mark.is_file() and mark.read_text() == text):
            with tempfile.TemporaryDirectory() as folder:
                made = Path(folder) / "x.wav"
                voices[name](text, made)
                path.write_bytes(made.read_bytes())
            mark.write_text(text)
        x = read_audio(path).samples
        yield Sound(name, "reading", text, 0.3 * x / max(1e-3, float(np.abs(x).max())))


def noise(kind: str, n: int, seed: int) -> Samples:
    """Noise of unit power: "hiss" of a leak, "motor" with hum, "tools" being used and put down."""
    r = np.random.default_rng(seed)
    t = np.arange(n) / RATE
    white = r.standard_normal(n)
    if kind == "hiss":
        x = np.diff(white, prepend=0.0)
    elif kind == "motor":
        x = np.cumsum(white) * 0.02
        x -= np.convolve(x, np.ones(800) / 800, "same")
        x += sum(np.sin(2 * np.pi * 49.7 * h * t + h) / h for h in (1, 2, 3, 4, 6, 9)) + 0.2 * white
    else:
        x = 0.05 * white
        for at in r.uniform(0, n, max(2, n // 6000)).astype(int):
            m = min(n - at, 3200)
            ring = np.exp(-np.arange(m) / r.uniform(80, 600)) * np.sin(np.arange(m) * r.uniform(0.2, 2.0))
            x[at : at + m] += r.uniform(0.5, 3) * ring
    return np.asarray(x / np.sqrt((x**2).mean()), np.float32)


def mixed(x: Samples, kind: str, decibel: float, seed: int) -> Samples:
    """Speech with noise at a signal-to-noise ratio over the loud part of the speech."""
    loud = np.abs(x) > 0.02 * np.abs(x).max()
    power = float((x[loud] ** 2).mean())
    return x + noise(kind, len(x), seed) * np.float32(np.sqrt(power / 10 ** (decibel / 10)))


def padded(x: Samples, seconds: float = 0.5) -> bytes:
    """As int16 with faint sound before and after."""
    r = np.random.default_rng(len(x))
    room = (r.standard_normal(int(seconds * RATE)) * 1e-4).astype(np.float32)
    y = np.concatenate([room, x, room])
    return np.clip(np.round(y * 32768), -32768, 32767).astype("<i2").tobytes()


def shuffled(items: Sequence[str], seed: int) -> list[str]:
    """The items in a random order that stays the same."""
    out = list(items)
    random.Random(seed).shuffle(out)
    return out
