"""Error against elevation, distance, depth offset and blur: ``python -m tests.bench.photos_laws FOLDER [DRAWS]``.

Pictures of the plain renderer of the tests, one thing varied at a time, several draws each. FOLDER gets one PNG for
each; those of 4 draws are kept in ``tests/bench/laws``. Dots: errors. Bars: the stated uncertainty. Drawn line: the
error that the law of the thing predicts for a measurement that does not know it:

- elevation e: a rim edge that stands D_t nearer than the tip is seen D_t tan e lower, here for D_t = 1 mm;
- distance D: a picture's pixel covers D / f, here one tenth of it;
- depth offset d: a target d behind the lever makes a plain scale h d / D wrong;
- blur s: an edge cannot be located better than (noise / contrast) sqrt(2 sqrt(pi) s / rows), here of 30 rows, three
  times its standard deviation.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from tests.vision.render import World, drawn, render, setup_table
from vision import Measurement, Photo, measure, setup_from_mapping

SIZE, FRAME = (720, 460), (80, 30, 690, 400)
INK, DOT, LAW = (30, 30, 30), (0, 114, 178), (213, 94, 0)


def _world(seed: int) -> World:
    w = drawn(seed, hard=False)
    return replace(w, height=2.0 + (seed % 5) * 0.5, elevation=5.0, offset=0.0, distance=200.0, blur=0.7, layout="pair")


SWEEPS: dict[str, tuple[str, list[float], Callable[[World, float], World], Callable[[float], float]]] = {
    "elevation": (
        "elevation over the rim, degrees",
        [-1, 0, 1, 2, 3.5, 5, 7, 9, 11, 13],
        lambda w, v: replace(w, elevation=v, height=w.height + 1.0),
        lambda v: abs(math.tan(math.radians(v))),
    ),
    "distance": (
        "distance of the camera, mm",
        [125, 150, 175, 200, 250, 300, 400],
        lambda w, v: replace(w, distance=v, span=150 * v / 200),
        lambda v: 0.1 * v / (1280 * 200 / 150),
    ),
    "depth": (
        "target behind the lever, mm",
        [-8, -5, -2.5, 0, 2.5, 5, 8, 11, 14],
        lambda w, v: replace(w, offset=v),
        lambda v: 3.0 * v / 200,
    ),
    "blur": (
        "blur (sigma), pixels",
        [0.5, 0.8, 1.2, 1.7, 2.3, 3.0],
        lambda w, v: replace(w, blur=v, noise=3.0),
        lambda v: 3 * 3.0 / 80 * math.sqrt(2 * math.sqrt(math.pi) * v / 30) * 150 / 1280,
    ),
}


def sweep(name: str, draws: int) -> list[tuple[float, float, float]]:
    """Value, error and stated uncertainty (mm) of every picture that was measured."""
    _, values, change, _ = SWEEPS[name]
    out = []
    for v in values:
        for seed in range(draws):
            w = change(_world(1000 + seed), v)
            got = measure(Photo(render(w), ""), setup_from_mapping(setup_table(w)))
            if isinstance(got, Measurement):
                out.append((v, got.value_mm - w.height, got.expanded_mm))
    return out


def plot(name: str, rows: list[tuple[float, float, float]]) -> Image.Image:
    """One diagram: dots, the law, two standard lines at the uncertainty's median."""
    label, values, _, law = SWEEPS[name]
    image = Image.new("RGB", SIZE, "white")
    pen = ImageDraw.Draw(image)
    x0, y0, x1, y1 = FRAME
    lo, hi = min(values), max(values)
    stated = {v: float(np.median([r[2] for r in rows if r[0] == v])) for v in values if any(r[0] == v for r in rows)}
    tallest = [abs(r[1]) for r in rows] + [min(law(v), 0.5) for v in values] + list(stated.values())
    top = max(0.25, 1.15 * max(tallest))

    def at(x: float, y: float) -> tuple[float, float]:
        return x0 + (x - lo) / (hi - lo) * (x1 - x0), (y0 + y1) / 2 - y / top * (y1 - y0) / 2

    pen.rectangle(FRAME, outline=INK)
    pen.line([at(lo, 0), at(hi, 0)], fill=(150, 150, 150))
    for k in (-1.0, -0.5, 0.5, 1.0):
        pen.text((8, at(lo, k * top)[1] - 6), f"{k * top:+.2f} mm", fill=INK)
    for v in values:
        pen.line([at(v, -top), (at(v, -top)[0], y1 + 5)], fill=INK)
        pen.text((at(v, 0)[0] - 10, y1 + 8), f"{v:g}", fill=INK)
    pen.text((x0, y1 + 28), f"{label}; dots: error; bars: median stated U (k = 2); line: the law", fill=INK)
    grid = np.linspace(lo, hi, 200)
    pen.line([at(float(g), max(-top, min(top, law(float(g))))) for g in grid], fill=LAW, width=3)
    for v in values:
        if v not in stated:
            pen.text((at(v, 0)[0] - 18, y0 + 4), "refused", fill=INK)
            continue
        pen.line([at(v, -stated[v]), at(v, stated[v])], fill=(190, 190, 190), width=5)
    for v, error, _ in rows:
        x, y = at(v, max(-top, min(top, error)))
        pen.ellipse([x - 3, y - 3, x + 3, y + 3], fill=DOT)
    return image


def main() -> None:
    """Sweep, print, draw."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    draws = int(sys.argv[2]) if len(sys.argv) > 2 else 6
    for name in SWEEPS:
        rows = sweep(name, draws)
        plot(name, rows).save(folder / f"error-{name}.png")
        print(f"\n{SWEEPS[name][0]:36}{'n':>3}{'median':>9}{'worst':>9}{'U':>8}{'inside':>8}{'law':>9}")
        for v in SWEEPS[name][1]:
            some = np.array([r[1:] for r in rows if r[0] == v]).reshape(-1, 2)
            e = np.abs(some[:, 0])
            told = (np.median(e), e.max(), np.median(some[:, 1]), np.mean(e <= some[:, 1])) if len(e) else (np.nan,) * 4
            law = SWEEPS[name][3](v)
            print(f"{v:36g}{len(e):3d}{told[0]:9.3f}{told[1]:9.3f}{told[2]:8.3f}{told[3]:8.2f}{law:9.3f}")


if __name__ == "__main__":
    main()
