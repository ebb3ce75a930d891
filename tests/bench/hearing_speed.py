"""Start-up, memory and size of the recogniser."""

from __future__ import annotations

import resource
from pathlib import Path

from tests.bench.hearing_setup import Setup, job_ear
from tests.bench.hearing_sounds import surrounded
from tests.bench.hearing_tables import Report

SENTENCES = 20


def resident_mb() -> float:
    """Memory of this process that is really there now (Linux)."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6


def most_mb() -> float:
    """The most that was ever there (Linux counts in KiB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6


def speed(setup: Setup) -> Report:
    """The recogniser of a procedure by itself; the sentences' words are drawn beforehand and not counted."""
    import vosk

    vosk.SetLogLevel(-1)
    report = Report()
    lines = setup.lines()[:SENTENCES]
    sounds = [setup.said().one("flite rms" if setup.tuning else "flite slt", line.words) for line in lines]
    before = resident_mb()
    ear = job_ear(setup)
    for i, x in enumerate(sounds):
        ear(surrounded(x, 20, i))
    size, memory = _size_mb(setup), most_mb() - before
    report.figures |= {"start-up": ear.start_s, "memory": memory, "model": size}
    report.say(
        f"{ear.recogniser.name}: start-up {ear.start_s:.2f} s (processor), memory {resident_mb() - before:.0f} MB, "
        f"at most {memory:.0f} MB, model directory {size:.1f} MB, real-time factor {ear.took_s / ear.heard_s:.3f}"
    )
    return report


def _size_mb(setup: Setup) -> float:
    from capture.speech.decoder import EMBEDDED

    folder = setup.model or EMBEDDED
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) / 1e6
