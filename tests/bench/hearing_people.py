"""Real people: single digits, numbers, letters, the spelling alphabet and commands; strings of real digits."""

from __future__ import annotations

import random
from collections import defaultdict

import numpy as np

from capture.phrases import vocabulary
from capture.procedure.language import DIGIT_NAMES
from tests.bench.hearing_readings import timed
from tests.bench.hearing_setup import SINGLE, Ear, Setup, job_ear, list_ear, plain
from tests.bench.hearing_sounds import RATE, Samples, Sound, recorded, surrounded
from tests.bench.hearing_tables import Report, errors, share

STRINGS = 100
_NOT_HERE = ("read", "chatter", "phrase", "word")


def known(setup: Setup) -> list[Sound]:
    """Recordings all of whose words belong to the procedure, commands and the like."""
    words = vocabulary(setup.job)
    return [s for s in recorded() if s.kind not in _NOT_HERE and s.words and set(s.words.split()) <= words]


def people(setup: Setup) -> Report:
    """Every recording heard with the whole procedure expected, and with only words of its own list."""
    report = Report()
    everything = job_ear(setup)
    ears = {name: list_ear(setup, words, 8 if name == "digits" else 1) for name, words in SINGLE.items()}
    tally: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0] * 5)
    for i, s in enumerate(known(setup)):
        if setup.quick and i % 5:
            continue
        want = plain(s.words.split())
        kind = next((name for name, words in SINGLE.items() if set(want) <= set(words)), s.kind)
        x = surrounded(s.samples, None, i)
        for column, ear in ((0, everything), (1, ears.get(kind))):
            if ear is None:
                continue
            got = ear.words(x)
            row = tally[kind if len(want) == 1 else f"{kind}, several", s.set]
            row[0] += column == 0
            row[1] += len(want) if column == 0 else 0
            row[2 + column] += errors(want, got)
            row[4] += column == 1
    rows = []
    for (kind, name), (n, words, all_wrong, own_wrong, own) in sorted(tally.items()):
        rows.append((f"{kind}: {name}", n, words, share(all_wrong, words), share(own_wrong, words) if own else "-"))
    for kind in sorted({kind for kind, _ in tally}):
        counts = [row for key, row in tally.items() if key[0] == kind]
        n, words, all_wrong, own_wrong, own = (sum(column) for column in zip(*counts, strict=True))
        rows.append((f"{kind}: all", n, words, share(all_wrong, words), share(own_wrong, words) if own else "-"))
        if kind == "digits":
            report.figures["digits"] = 100 * own_wrong / words
            report.figures["digits, phrases"] = 100 * all_wrong / words
    head = ("word errors %", "clips", "words", "whole procedure expected", "only this list expected")
    report.table("Real people", head, rows)
    return timed(report, everything)


def strings(setup: Setup) -> Report:
    """Connected digits: three to six real digits of one person one after another, and what was really spoken so."""
    report = Report()
    digits, everything = list_ear(setup, DIGIT_NAMES, 8), job_ear(setup)
    by: dict[tuple[str, str], list[tuple[str, Samples]]] = defaultdict(list)
    for s in recorded():
        if s.words in DIGIT_NAMES:
            by[s.set, s.speaker].append((s.words, s.samples))
    rng = random.Random(5)
    right: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0])
    for (name, _), have in sorted(by.items()):
        if len({word for word, _ in have}) < 3:
            continue
        people_in_set = sum(1 for other, clips in by if other == name)
        for _ in range(setup.part(max(5, STRINGS // people_in_set))):
            picked = [rng.choice(have) for _ in range(rng.randint(3, 6))]
            pieces: list[Samples] = []
            for _, x in picked:
                gap = np.zeros(int(rng.uniform(0.02, 0.15) * RATE), np.float32)
                pieces += [x / max(1e-3, float(np.abs(x).max())) * np.float32(0.3), gap]
            _count(right[name], [w for w, _ in picked], np.concatenate(pieces), digits, everything)
    for s in recorded():
        if len(s.words.split()) > 2 and set(s.words.split()) <= set(DIGIT_NAMES):
            _count(right[f"{s.set}, spoken so"], s.words.split(), s.samples, digits, everything)
    total = [sum(column) for column in zip(*right.values(), strict=True)]
    rows = [(n, c, share(d, c), share(p, c)) for n, (c, d, p) in [*sorted(right.items()), ("all", total)]]
    head = ("strings right %", "strings", "only digits expected", "whole procedure expected")
    report.table("Connected digits (3 to 6, joined from one real person's single ones)", head, rows)
    report.figures["strings"] = 100 * total[1] / total[0]
    report.figures["strings, phrases"] = 100 * total[2] / total[0]
    return timed(report, everything)


def _count(row: list[int], want: list[str], x: Samples, digits: Ear, everything: Ear) -> None:
    sound = surrounded(x, None, len(x))
    row[0] += 1
    row[1] += digits.words(sound) == want
    row[2] += everything.words(sound) == want
