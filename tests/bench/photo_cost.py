"""What one photograph costs: ``python -m tests.bench.photo_cost``.

Measures a rendered scene at 2, 12 and 48 megapixels, each in a fresh process on one core: processor seconds for
reading, measuring and drawing (the smallest of three runs), and the largest memory the process ever held. Bar: a
12-megapixel photograph is read and measured in under 0.7 s and below 400 MB.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

SIZES = {"2": (1600, 1200), "12": (4000, 3000), "48": (8000, 6000)}
RUNS = 3


def make(folder: Path) -> None:
    """Write ``NAME.jpg`` and ``NAME.json`` (the setup) for every size: one scene, enlarged, then made noisy."""
    import cv2
    from PIL import Image

    from tests.vision.render import World, render, setup_table

    world = World(size=SIZES["2"], height=2.4, span=150.0)
    small = render(world)
    for name, size in SIZES.items():
        rgb = cv2.resize(small, size, interpolation=cv2.INTER_CUBIC) if size != world.size else small
        noise = np.random.default_rng(1).normal(0, 2.5, (600, 800, 3)).astype(np.int8)
        tiled = np.tile(noise, (size[1] // 600 + 1, size[0] // 800 + 1, 1))[: size[1], : size[0]]
        noisy = np.clip(rgb.astype(np.int16) + tiled, 0, 255).astype(np.uint8)
        Image.fromarray(noisy).save(folder / f"{name}.jpg", quality=92)
        table = setup_table(world)
        k = size[0] / world.size[0]
        m = np.array(table["camera"]["matrix"])
        m[:2, :2] *= k
        m[:2, 2] = (m[:2, 2] + 0.5) * k - 0.5
        table["camera"] |= {"matrix": m.tolist(), "image_size_px": list(size)}
        (folder / f"{name}.json").write_text(json.dumps(table))


def held_kb() -> int:
    """The most memory that this process ever held, kB (``VmHWM``; what getrusage tells is inherited from a parent)."""
    found = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
    return int(found[1]) if found else 0


def one(photo: Path, setup_file: Path) -> None:
    """Read, measure and draw in this process; prints one JSON line."""
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    import cv2

    cv2.setNumThreads(1)
    from vision import Measurement, load_photo, load_setup, measure, overlay

    setup = load_setup(setup_file)
    base = held_kb()
    spent = []
    peak = 0
    for _ in range(RUNS):
        a = time.process_time()
        picture = load_photo(photo)
        b = time.process_time()
        got = measure(picture, setup)
        c = time.process_time()
        peak = peak or held_kb()
        overlay(picture, got)
        spent.append((b - a, c - b, time.process_time() - c))
        del picture
    read, found, drawn = np.min(spent, axis=0)
    answer = f"{got.value_mm:.3f} +- {got.expanded_mm:.3f}" if isinstance(got, Measurement) else got.reason
    row = {"read": read, "measure": found, "draw": drawn, "base": base, "peak": peak, "all": held_kb()}
    print(json.dumps({**row, "answer": answer, "first": sum(spent[0][:2])}))


def main() -> None:
    """Print the table."""
    if len(sys.argv) == 3:
        one(Path(sys.argv[1]), Path(sys.argv[2]))
        return
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        make(folder)
        head = f"{'MP':>3}{'file MB':>9}{'read s':>8}{'measure':>9}{'both':>7}{'draw':>7}{'first run':>11}"
        print(head + f"{'peak MB':>9}{'+ draw':>8}{'at start':>10}   height mm (truth 2.400)")
        for name in SIZES:
            call = [sys.executable, "-m", "tests.bench.photo_cost", f"{folder / name}.jpg", f"{folder / name}.json"]
            done = subprocess.run(call, capture_output=True, text=True, check=True)
            r = json.loads(done.stdout)
            print(
                f"{name:>3}{(folder / f'{name}.jpg').stat().st_size / 1e6:9.1f}{r['read']:8.2f}{r['measure']:9.2f}"
                f"{r['read'] + r['measure']:7.2f}{r['draw']:7.2f}{r['first']:11.2f}"
                f"{r['peak'] / 1024:9.0f}{r['all'] / 1024:8.0f}{r['base'] / 1024:10.0f}   {r['answer']}"
            )


if __name__ == "__main__":
    main()
