"""How well our own voice is kept out, and who speaks over it let in: ``python -m tests.live.own_voice``.

Needs espeak-ng (our voice) and flite (the technician's). The microphone hears our voice after 0.12 s and through a
small room (an exponentially dying echo of 0.25 s, made here), scaled by the coupling; the technician speaks as loud as
our voice is played. Prints, for each coupling: utterances heard of our own voice alone, and how many of them without a
doubt; and of twenty readings spoken over it, how many stopped the voice, how many were heard word for word, and how
many values were heard wrong without a doubt. The first line is without our voice: what the recogniser can do.
"""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from capture.bench.live_clock import SoundClock
from capture.bench.live_ear import Ear
from capture.bench.live_level import RATE
from capture.bench.live_own import OwnVoice
from capture.bench.live_spool import Spool, Timeline
from capture.bench.live_start import listener_factory
from capture.bench.live_types import Listener
from capture.bench.voice import Synthesiser
from capture.procedure import find, load_procedure
from capture.speech.heard import Heard
from capture.speech.resample import resample

SAID = "supply pressure, one five two p s i, not confirmed. Say confirm, or correction and the right value."
DIGITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]


def flite(text: str) -> np.ndarray:
    """``text`` in the technician's voice, (N,) in -1..1 at 16 kHz."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        subprocess.run(["flite", "-voice", "rms", "-t", text, "-o", str(path)], check=True)
        sound, rate = soundfile.read(path)
    return resample(sound.astype(np.float32), rate, RATE)


def room(sound: np.ndarray, seed: int) -> np.ndarray:
    """``sound`` as it sounds in a small room."""
    source = np.random.default_rng(seed)
    tail = source.standard_normal(RATE // 4) * np.exp(-np.arange(RATE // 4) / (0.05 * RATE)) * 0.05
    tail[0] = 1.0
    return np.convolve(sound, tail)


class Bench:
    """An ear with a recogniser behind it; ``heard`` since the last ``play``."""

    def __init__(self, listener: Listener, folder: Path) -> None:
        self.listener, self.own = listener, OwnVoice()
        self.heard: list[Heard] = []
        self.began = 0
        self.ear = Ear(
            Spool(folder, "s", {"job": "j"}),
            Timeline("s"),
            SoundClock("s"),
            gated=True,
            hand_on=self._hand_on,
            speech=self._speech,
            trouble=lambda sentence: None,
        )

    def _hand_on(self, pcm: bytes) -> None:
        self.heard += [
            self.own.marked(heard, self.ear.samples, loud=self.ear.hears_us) for heard in self.listener.accept(pcm)
        ]

    def _speech(self, began: bool) -> None:
        self.began += began

    def play(self, voice: bytes, microphone: np.ndarray) -> tuple[list[Heard], bool]:
        """Our voice says ``voice`` while the microphone takes in ``microphone``; what was heard, whether it stopped."""
        self.heard, self.began = [], 0
        stopped = False
        self.own.begins(SAID, self.ear.voice_begins(voice))
        pcm = (np.clip(microphone, -1, 1) * 32767).astype("<i2").tobytes()
        for at in range(0, len(pcm), 3200):
            self.ear.feed(pcm[at : at + 3200])
            if self.began and not stopped:
                stopped = True
                self.own.ends(self.ear.voice_stops())
        self.own.ends(self.ear.voice_stops())
        self.ear.flush()
        self.heard += self.listener.finish()
        return self.heard, stopped


def main() -> None:
    """Measure and print."""
    synthesiser = Synthesiser.found()
    assert synthesiser is not None, "espeak-ng is needed"
    voice = synthesiser.render(SAID)
    loud = np.frombuffer(voice, "<i2") / 32768
    level = np.sqrt(np.mean(loud**2))
    source = np.random.default_rng(3)
    listen = listener_factory(None)
    procedure = load_procedure(find("lever_valve"))
    print("coupling dB | own voice alone: heard, undoubted of 10 | over it, of 20: stopped, word for word, wrong")
    for coupling in (-200, -40, -30, -20, -14, -8):
        with tempfile.TemporaryDirectory() as folder:
            bench = Bench(listen(procedure), Path(folder))
            bench.ear.feed((source.normal(0, 0.0015, 2 * RATE) * 32767).astype("<i2").tobytes())
            echo = np.concatenate([np.zeros(int(0.12 * RATE)), room(loud, 1) * 10 ** (coupling / 20)])
            alone = undoubted = stopped = right = wrong = 0
            for _ in range(10):
                noise = source.normal(0, 0.0015, len(echo) + RATE)
                noise[: len(echo)] += echo
                got = bench.play(voice, noise)[0]
                alone += len(got)
                undoubted += sum(not one.doubts for one in got)
            for number in range(20):
                words = f"opening effort one point {DIGITS[number % 10]} {DIGITS[(3 * number) % 10]} inches of water"
                spoken = flite(words)
                spoken *= level / np.sqrt(np.mean(spoken**2))
                begin = int((0.6 + 0.15 * (number % 8)) * RATE)
                sound = source.normal(0, 0.0015, max(len(echo), begin + len(spoken)) + RATE)
                # Our voice stops a moment after it was told to: a quarter of a second into the reading.
                cut = min(len(echo), begin + int(0.5 * RATE))
                sound[:cut] += echo[:cut]
                sound[begin : begin + len(spoken)] += spoken
                heard, halted = bench.play(voice, sound)
                stopped += halted
                texts = [one.text for one in heard]
                right += words in texts
                wrong += any(
                    text != words and not one.doubts and "effort" in text
                    for one, text in zip(heard, texts, strict=True)
                )
            print(f"{coupling:11} | {alone:2}, {undoubted:2} | {stopped:2}, {right:2}, {wrong:2}", flush=True)
            bench.ear.close()


if __name__ == "__main__":
    main()
