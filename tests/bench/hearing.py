"""How well does the recogniser hear? ``python -m tests.bench.hearing [--keep FOLDER] [--model DIR] [--count N]``

Prints one table per question: real people saying digits, numbers, letters and commands; connected digits; readings by
voices that were never trained on, clean and in three kinds of noise; speech that is not for the tool; speed, memory and
start-up. Uses ../shared/speech/eval when it is there. Nothing here may be used for training or for choosing settings.
"""

from __future__ import annotations

import argparse
import random
import resource
import time
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import fields
from functools import partial
from pathlib import Path
from typing import Any

from capture.bench.doubtful import material
from capture.phrases import Context, parse, sentences, vocabulary
from capture.phrases.statements import CheckSaid, NotUnderstood, PartSaid, ReadingSaid, Refused, TurnSaid
from capture.procedure import load_procedure, shipped
from capture.speech import Heard, Recogniser
from tests.bench import hearing_sounds as sounds

DIGITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
NOISES = ("hiss", "motor", "tools")
LEVELS = (20, 10, 5)


def errors(want: Sequence[str], got: Sequence[str]) -> int:
    """Words substituted, left out or put in (Levenshtein)."""
    row = list(range(len(got) + 1))
    for i, w in enumerate(want, 1):
        last, row[0] = row[0], i
        for j, g in enumerate(got, 1):
            last, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, last + (w != g))
    return row[-1]


class Ear:
    """A recogniser with a stopwatch."""

    def __init__(self, procedure: Any = None, **kind: Any) -> None:
        """Load, and take the time of it; with a procedure only doubts count that the bench would ask back."""
        self.procedure = procedure
        begin = time.perf_counter()
        self.recogniser = Recogniser(**kind)
        self.start_s = time.perf_counter() - begin
        self.heard_s = self.took_s = 0.0

    def __call__(self, x: sounds.Samples) -> tuple[list[str], bool]:
        """Words heard, and whether any doubt was raised."""
        pcm = sounds.padded(x)
        begin = time.perf_counter()
        heard = self.recogniser.hear(pcm)
        self.took_s += time.perf_counter() - begin
        self.heard_s += len(pcm) / 2 / sounds.RATE
        return [w.text for h in heard for w in h.words], any(self._asked_back(h) for h in heard)

    def _asked_back(self, heard: Heard) -> bool:
        if self.procedure is None:
            return bool(heard.doubts)
        words = [word.text for word in heard.words]
        reparse = partial(parse, procedure=self.procedure)
        return any(material(heard.doubts, words, statement, reparse) for statement in reparse(words))


def table(title: str, head: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Print a table."""
    cells = [[str(c) for c in r] for r in [head, *rows]]
    wide = [max(len(r[i]) for r in cells) for i in range(len(head))]
    print(f"\n{title}")
    for r in cells:
        pairs = enumerate(zip(r, wide, strict=True))
        print("  " + "  ".join(c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in pairs))


def people(ear: Ear, digit_ear: Ear, known: frozenset[str]) -> None:
    """Real people: single words and short phrases of the vocabulary."""
    tally: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0, 0, 0, 0, 0])
    for s in sounds.recorded():
        want = s.words.split()
        if not want or any(w not in known for w in want) or s.kind in ("read", "chatter"):
            continue
        digits = all(w in DIGITS for w in want)
        for kind, one in ([("digits, digit grammar", digit_ear)] if digits else []) + [(s.kind, ear)]:
            got, doubt = one(s.samples)
            t = tally[kind, s.set]
            wrong = got != want
            for i, v in enumerate((1, len(want), errors(want, got), wrong, wrong and not doubt)):
                t[i] += v
    rows = []
    for (kind, name), (n, words, e, wrong, silent) in sorted(tally.items()):
        rows.append((f"{kind}: {name}", n, words, f"{100 * e / words:.1f}", f"{100 * (1 - wrong / n):.1f}", silent))
    head = ("real people", "clips", "words", "WER %", "right %", "wrong, no doubt")
    table("Real people", head, rows)


def strings(digit_ear: Ear, ear: Ear, count: int) -> None:
    """Connected digits: real digits of one speaker one after another, and what few strings people really spoke."""
    by: dict[str, dict[str, list[sounds.Samples]]] = defaultdict(lambda: defaultdict(list))
    import numpy as np

    for s in sounds.recorded():
        if s.words in DIGITS:
            by[s.set][s.words].append(s.samples)
    r = random.Random(5)
    rows = []
    for name, have in sorted(by.items()):
        if len(have) < 10:
            continue
        for label, one in (("digit grammar", digit_ear), ("phrases", ear)):
            right = 0
            for _ in range(count):
                want = [r.choice(DIGITS) for _ in range(r.randint(3, 6))]
                parts = [r.choice(have[w]) for w in want]
                parts = [p / max(1e-3, float(np.abs(p).max())) * 0.3 for p in parts]
                gap = np.zeros(int(r.uniform(0.02, 0.15) * sounds.RATE), np.float32)
                got, _ = one(np.concatenate([y for p in parts for y in (p, gap)]))
                right += got == want
            rows.append((f"{name}, {label}", count, f"{100 * right / count:.1f}"))
    table("Connected digits (3 to 6, joined from real single ones)", ("set", "strings", "right %"), rows)


def meaning(words: Sequence[str], procedure: Any) -> list[tuple[object, ...]]:
    """What the words say, without the words themselves."""
    out = []
    for s in parse(list(words), procedure, Context()):
        if isinstance(s, NotUnderstood):
            continue
        values = [getattr(s, f.name) for f in fields(s) if f.name not in ("words", "span", "alternatives")]
        out.append((type(s).__name__, *map(str, values)))
    return out


KINDS = {ReadingSaid: "reading", TurnSaid: "turn", PartSaid: "part", CheckSaid: "check"}


def kind_of(words: str, statement: object) -> str:
    """Which row of the table a sentence belongs to."""
    name = KINDS.get(type(statement), "other")
    if name != "reading":
        return name
    w = words.split()
    if any(x in ("point", "decimal") for x in w):
        return "reading: decimal"
    if any(x.endswith("teen") or x.endswith("ty") for x in w):
        return "reading: teens, tens"
    return "reading: other"


def sample(procedure: Any, count: int, seed: int) -> list[tuple[str, Any]]:
    """Sentences to be spoken, two thirds of them readings."""
    pool = [(t, s) for t, s in sentences(procedure, seed=seed, count=count * 12) if not isinstance(s, Refused)]
    readings = [(t, s) for t, s in pool if isinstance(s, ReadingSaid)]
    others = [(t, s) for t, s in pool if not isinstance(s, ReadingSaid)]
    r = random.Random(seed)
    return r.sample(readings, min(len(readings), count * 2 // 3)) + r.sample(others, count - count * 2 // 3)


def readings(ear: Ear, procedure: Any, count: int, keep: Path) -> None:
    """Sentences of the procedure by voices never trained on, clean and in noise."""
    chosen = sample(procedure, count, 4242)
    said = list(sounds.spoken([t for t, _ in chosen], keep))
    rows, kinds = [], {}
    for level in (None, *LEVELS):
        tally: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0, 0, 0])
        for i, ((text, statement), s) in enumerate(zip(chosen, said, strict=True)):
            x = s.samples if level is None else sounds.mixed(s.samples, NOISES[i % 3], level, i)
            got, doubt = ear(x)
            want = meaning(text.split(), procedure)
            means = meaning(got, procedure)
            right = means == want
            silent = not right and not doubt and any(m[0] != "Refused" for m in means)
            for name in ("all", s.set, kind_of(text, statement)):
                t = tally[name]
                for j, v in enumerate((1, right, silent, right and doubt, got == text.split())):
                    t[j] += v
        for name, (n, right, silent, asked, _) in sorted(tally.items()):
            kinds[name, level] = (n, right, silent, asked)
    for name in sorted({n for n, _ in kinds}, key=lambda n: (n != "all", n)):
        row: list[object] = [name, kinds[name, None][0]]
        for level in (None, *LEVELS):
            n, right, silent, asked = kinds[name, level]
            row.append(f"{100 * right / n:.1f} ({100 * silent / n:.1f} / {100 * asked / max(1, right):.0f})")
        rows.append(row)
    head = (
        "right % (wrong and taken without asking back % / right but asked back %)",
        "n",
        "clean",
        *(f"{v} dB" for v in LEVELS),
    )
    table(f"{procedure.name}: sentences by voices never trained on", head, rows)


def strangers(ear: Ear, procedure: Any, known: frozenset[str]) -> None:
    """Speech that is not for the tool: would any of it be taken for a statement without a doubt?"""
    n = seconds = taken = values = 0.0
    examples = []
    for s in sounds.recorded():
        if s.kind not in ("read", "chatter") and all(w in known for w in s.words.split()):
            continue
        if s.kind not in ("read", "chatter", "word", "phrase"):
            continue
        got, doubt = ear(s.samples)
        n += 1
        seconds += len(s.samples) / sounds.RATE
        means = meaning(got, procedure)
        if means and not doubt:
            taken += 1
            if any(m[0] in ("ReadingSaid", "TurnSaid", "PartSaid", "CheckSaid") for m in means):
                values += 1
                examples.append((s.words[:50], " ".join(got)))
    row = ("recorded", int(n), f"{seconds / 60:.1f}", int(taken), int(values))
    table("Speech not for the tool", ("set", "clips", "minutes", "taken as statements", "taken as values"), [row])
    for want, got in examples[:10]:
        print(f"    {want!r} -> {got!r}")
    noise_minutes = 6
    count = 0
    for i, kind in enumerate(NOISES):
        for k in range(noise_minutes * 2 // len(NOISES)):
            got, _ = ear(sounds.noise(kind, 30 * sounds.RATE, 100 * i + k) * 0.03)
            count += bool(got)
    print(f"  noise alone, {noise_minutes} minutes: {count} of {noise_minutes * 2} half minutes with any word")


def main() -> None:
    """Run everything."""
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--keep", type=Path, default=Path("/tmp/benchwitness-hearing"), help="folder for spoken readings")
    p.add_argument("--model", type=Path, help="another model directory")
    p.add_argument("--procedure", default="lever_valve")
    p.add_argument("--count", type=int, default=510, help="how many sentences are spoken")
    p.add_argument("--only", nargs="*", default=["people", "strings", "readings", "strangers"])
    a = p.parse_args()
    procedure = load_procedure(shipped()[a.procedure])
    words = vocabulary(procedure)
    said = [t for t, _ in sentences(procedure, seed=1, count=6000)]
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    ear = Ear(procedure, model_dir=a.model, sentences=said, words=words, pronunciations=procedure.pronunciations)
    memory = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    print(f"start-up {ear.start_s:.2f} s, memory {memory:.0f} MB, {len(words)} words")
    digit_ear = Ear(model_dir=a.model, sentences=[" ".join(["one"] * n) for n in range(1, 9)], words=DIGITS)
    if sounds.SHARED.is_dir():
        if "people" in a.only:
            people(ear, digit_ear, words)
        if "strings" in a.only:
            strings(digit_ear, ear, 100)
        if "strangers" in a.only:
            strangers(ear, procedure, words)
    if "readings" in a.only:
        readings(ear, procedure, a.count, a.keep / a.procedure)
    print(f"\nreal-time factor, both hearings: {ear.took_s / max(ear.heard_s, 1e-9):.3f}")


if __name__ == "__main__":
    main()
