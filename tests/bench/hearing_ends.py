"""When the final words come, by the sound's own clock, and how often a pause cuts a sentence in two."""

from __future__ import annotations

import random
import time

import numpy as np

from tests.bench.hearing_readings import timed
from tests.bench.hearing_setup import Ear, Setup, job_ear
from tests.bench.hearing_sounds import RATE, Samples, loudness, noise, pcm, surrounded
from tests.bench.hearing_tables import Report, middle, share
from tests.bench.hearing_talk import outcome
from tests.bench.hearing_texts import SPELLED, halves
from tests.bench.hearing_voices import trimmed

BLOCK = RATE // 10
"""A microphone hands over a tenth of a second at a time."""
AFTER_S = 4.0
PAUSES = (0.3, 0.5, 0.7, 0.9)
TIMED, PARTED = 200, 160


def delays(ear: Ear, x: Samples, last: int) -> tuple[float, int, int]:
    """Seconds from the last sound of the speech (a sample) to its final words, computing included; how many utterances;
    and how many more began after it, in noise, which the conversation may still leave aside.

    Not a number when no words came at all.
    """
    data, found, after, late = pcm(x), 0, 0, float("nan")
    over_s = ear.heard_s + last / RATE  # the stream's own clock goes on from sound to sound
    for at in range(0, len(data), 2 * BLOCK):
        piece = data[at : at + 2 * BLOCK]
        begin = time.process_time()
        heard = ear.recogniser.accept(piece)
        took = time.process_time() - begin
        ear.took_s, ear.heard_s = ear.took_s + took, ear.heard_s + len(piece) / 2 / RATE
        worded = [one for one in heard if one.words]
        meant = [one for one in worded if one.start_s < over_s]
        after += len(worded) - len(meant)
        if meant:
            found += 1
            late = (at + len(piece)) / 2 / RATE - last / RATE + took
    ear.recogniser.finish()
    return late, found, after


def ends(setup: Setup) -> Report:
    """Delay of the final words of whole sentences, clean and in noise."""
    report, ear = Report(), job_ear(setup)
    chosen = setup.lines()[: setup.part(TIMED)]
    sounds = list(setup.said().each([line.words for line in chosen]))
    rows = []
    for level in (None, 20, 10):
        late, pieces, noise_words = [], 0, 0
        for i, sound in enumerate(sounds):
            x = surrounded(sound.samples, level, i, 0.5 + 0.013 * (i % 8), AFTER_S)
            delay, found, after = delays(ear, x, len(x) - int(AFTER_S * RATE))
            pieces, noise_words = pieces + (found > 1), noise_words + after
            if found:
                late.append(delay)
        label = "clean" if level is None else f"{level} dB"
        half, most = middle(late, 50), middle(late, 95)
        rows.append((label, len(late), f"{half:.2f}", f"{most:.2f}", f"{max(late):.2f}", pieces, noise_words))
        report.figures[f"median {label}"], report.figures[f"p95 {label}"] = half, most
    head = ("seconds from last sound to final words", "n", "median", "95 %", "most", "in two pieces", "words later")
    report.table("End of utterance, by the sound's clock, processor time included", head, rows)
    return timed(report, ear)


def pauses(setup: Setup) -> Report:
    """Sentences spoken with pauses: cut in two or not, and what the conversation would store of them."""
    report, ear = Report(), job_ear(setup)
    voices = setup.said(slow=False)
    lines = [line for line in setup.lines() if len(line.words.split()) >= 4]
    chosen = [*[line for line in lines if line.kind == SPELLED], *lines][: setup.part(PARTED)]
    names, rows = list(voices.voices), []
    with setup.desk() as desk:
        for pause in PAUSES:
            rng = random.Random(round(1000 * pause))
            n = cut = right = wrong = 0
            for i, line in enumerate(chosen):
                pieces = [voices.one(names[i % len(names)], " ".join(w)) for w in halves(line.words.split(), rng)]
                heard = ear(_with_pauses(pieces, pause, i))
                found = outcome(desk.meant(line.words), desk.became(line.words, heard))
                n += 1
                cut += sum(bool(one.words) for one in heard) > 1
                right += found.right
                wrong += found.wrong_unasked
            rows.append((f"pauses of {pause} s", n, share(cut, n), share(right, n), share(wrong, n)))
            report.figures[f"cut {pause}"] = 100 * cut / n
    head = ("anywhere in a sentence", "n", "cut in two %", "right %", "wrong and taken unasked %")
    report.table("Pauses within a sentence (the pieces are spoken apart, which is hard in itself)", head, rows)
    return timed(report, ear)


def _with_pauses(pieces: list[Samples], pause: float, seed: int) -> Samples:
    """Pieces with true silence between their sounds, in the faint noise of a room."""
    gap = np.zeros(int(pause * RATE), np.float32)
    row = [part for x in pieces for part in (trimmed(x, 0.01), gap)][:-1]
    x = surrounded(np.concatenate(row), None, seed, 0.5, 2.0)
    return x + noise("hiss", len(x), seed) * np.float32(loudness(x) * 0.01)
