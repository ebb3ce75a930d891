"""Eight hours of sound through one stream of the recogniser: does its memory stay flat?

``python -m tests.bench.hearing_long [--hours 8] [--keep FOLDER]``. Sentences of a procedure by flite's "slt" come about
once a minute, talk that is not for the tool now and then, workshop noise and silence between; everything that is heard
goes into one real job. After each hour of sound the memory is printed, and at the end whether it grew.
"""

from __future__ import annotations

import argparse
import gc
import random
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tests.bench.hearing_setup import Setup, job_ear
from tests.bench.hearing_sounds import NOISES, RATE, Samples, noise, pcm, room, surrounded
from tests.bench.hearing_speed import resident_mb
from tests.bench.hearing_tables import table
from tests.bench.hearing_texts import chatter
from tests.bench.hearing_voices import SLT, Said

BLOCK_S = 0.1
MINUTE_S = 60
GROWTH_MB = 10.0
"""Between the end of the second hour and the last: more than this is growth."""


def minutes(setup: Setup, count: int) -> Iterator[Samples]:
    """So many minutes of a workday, the same every time."""
    voice = Said({"flite slt": SLT["flite slt"]}, setup.keep)
    said = [voice.one("flite slt", line.words) for line in setup.lines()[:60]]
    talk = [voice.one("flite slt", text) for text in chatter(setup.job, 20, 5)]
    noises = [noise(kind, MINUTE_S * RATE, i) for i, kind in enumerate(NOISES)]
    rng = random.Random(11)
    for i in range(count):
        x = np.zeros(MINUTE_S * RATE, np.float32)
        x += room(MINUTE_S, i % 50)
        parts = [rng.choice(said), *([rng.choice(talk)] if i % 5 == 0 else [])]
        at = int(rng.uniform(1, 20) * RATE)
        for part in parts:
            whole = surrounded(part, None, i % 50)[: len(x) - at]
            x[at : at + len(whole)] += whole
            at += len(whole) + int(rng.uniform(1, 15) * RATE)
        if i % 3 == 0:
            x += noises[i // 3 % 3] * np.float32(10 ** rng.uniform(-2.5, -1.8))
        yield x


def main() -> None:
    """Run it."""
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--hours", type=float, default=8.0)
    p.add_argument("--keep", type=Path, default=Path.home() / ".cache" / "benchwitness-hearing")
    p.add_argument("--model", type=Path, help="another model directory")
    a = p.parse_args()
    setup = Setup(a.keep, model=a.model)
    before = resident_mb()
    ear = job_ear(setup)
    loaded = resident_mb() - before
    rows: list[tuple[object, ...]] = [("loaded", f"{loaded:.0f}", 0, 0, "-")]
    sizes = []
    with setup.desk() as desk:
        session = desk.session()
        utterances = 0
        begin = time.process_time()
        for number, x in enumerate(minutes(setup, round(a.hours * 60)), 1):
            data, step = pcm(x), 2 * int(BLOCK_S * RATE)
            for at in range(0, len(data), step):
                for heard in ear.recogniser.accept(data[at : at + step]):
                    utterances += 1
                    session = desk.session() if utterances % 200 == 0 else session
                    session.hear(heard, desk.moment())
                _ = ear.recogniser.partial
            if number % 60 == 0 or number == round(a.hours * 60):
                gc.collect()
                used, factor = resident_mb() - before, (time.process_time() - begin) / (number * MINUTE_S)
                sizes.append(used)
                kept = len(ear.recogniser._kept) / 2 / RATE
                rows.append((f"{number / 60:.1f} h", f"{used:.0f}", utterances, f"{kept:.0f}", f"{factor:.3f}"))
                print(
                    table("so far", ("after", "MB", "utterances", "s of sound kept", "real time"), rows[-1:]),
                    flush=True,
                )
    print(table("One stream", ("after", "MB more than before", "utterances", "s of sound kept", "real time"), rows))
    grown = sizes[-1] - sizes[min(1, len(sizes) - 1)]
    print(f"\nfrom the second hour to the last: {grown:+.1f} MB; {'flat' if grown < GROWTH_MB else 'GROWING'}")


if __name__ == "__main__":
    main()
