"""Speaks the demonstration's scripts and mixes in workshop noise; run it from a checkout with espeak-ng and flite.

``python demo_media/make_sound.py`` reads every ``jobs/*/script.toml`` and writes the FLAC files named in it. The noise
is computed here: hum and hiss of a compressor, a leak's hiss, tools on a bench. Seeds are fixed, so the same versions
of the synthesisers give the same files.
"""

from __future__ import annotations

import subprocess
import tempfile
import tomllib
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

RATE = 16_000
HERE = Path(__file__).resolve().parent


def speak(text: str, voice: str) -> np.ndarray:
    """Synthesise ``text``; ``voice`` is ``espeak:VOICE:WORDS_PER_MINUTE`` or ``flite:VOICE``. Returns (N,) in -1..1."""
    engine, name, *more = voice.split(":")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        if engine == "espeak":
            call = ["espeak-ng", "-v", name, "-s", more[0], "-w", str(path), text]
        else:
            call = ["flite", "-voice", name, "-t", text, "-o", str(path)]
        subprocess.run(call, check=True)
        sound, rate = soundfile.read(path)
    positions = np.arange(0, len(sound) - 1, rate / RATE)
    return np.interp(positions, np.arange(len(sound)), sound)


def noise(kind: str, count: int, source: np.random.Generator) -> np.ndarray:
    """Workshop noise of unit power: ``compressor``, ``leak`` or ``bench``; (count,)."""
    white = source.standard_normal(count)
    if kind == "leak":
        sound = np.diff(white, prepend=0.0)
    elif kind == "compressor":
        seconds = np.arange(count) / RATE
        hum = sum(np.sin(2 * np.pi * 49.2 * k * seconds + k) / k for k in range(1, 14))
        sound = hum + 0.35 * white
    else:
        sound = 0.15 * white
        for start in source.integers(0, count, max(1, count // (2 * RATE))):
            tail = np.exp(-np.arange(min(4000, count - start)) / 500.0)
            tone = np.sin(2 * np.pi * source.uniform(900, 4200) * np.arange(len(tail)) / RATE)
            sound[start : start + len(tail)] += 3 * tail * tone
    return np.asarray(sound / np.sqrt(np.mean(sound**2)))


def take(spec: dict[str, Any], seed: int) -> np.ndarray:
    """One sound file: its lines with pauses between them, and noise at the ratio named (dB); (N,) int16."""
    source = np.random.default_rng(seed)
    pieces = [np.zeros(RATE // 2)]
    for line in spec["lines"]:
        said = speak(line, spec["voice"])
        pieces += [said / np.sqrt(np.mean(said**2)) * 0.06, np.zeros(int(spec.get("pause", 1.4) * RATE))]
    speech = np.concatenate(pieces)
    level = 0.06 * 10 ** (-spec["snr"] / 20)
    mixed = speech + level * noise(spec["noise"], len(speech), source)
    return np.clip(mixed * 32767, -32768, 32767).astype(np.int16)


def main() -> None:
    """Make every sound file of every script."""
    for script in sorted(HERE.glob("jobs/*/script.toml")):
        for spec in tomllib.loads(script.read_text("utf-8"))["take"]:
            target = script.parent / spec["file"]
            target.parent.mkdir(parents=True, exist_ok=True)
            soundfile.write(target, take(spec, zlib.crc32(spec["file"].encode())), RATE, subtype="PCM_16")


if __name__ == "__main__":
    main()
