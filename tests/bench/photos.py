"""Scores measuring on a folder of pictures with truth: ``python -m tests.bench.photos [FOLDER]``.

FOLDER holds ``truth.json`` and ``images/NAME.jpg`` (or the pictures beside it); by default ``../shared/photos`` next to
the repository. Only ``inputs`` are used to measure, everything else to score. Prints each picture and a table per
tier: median and 90th percentile of the error, share of truths inside the stated k = 2 interval, median of the stated
uncertainty, refusals, processor time.
"""

from __future__ import annotations

import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from vision import Measurement, Refusal, Setup, load_photo, measure, setup_from_mapping


def setup_of(inputs: dict[str, Any]) -> Setup:
    """The setup that a picture's inputs describe."""
    markers = [{"id": m["id"], "corners_mm": m["corners_card_mm"]} for m in inputs["markers"]]
    target: dict[str, Any] = {
        "dictionary": inputs["marker_dict"] or "DICT_4X4_50",
        "markers": markers or [{"id": 0, "corners_mm": [[40, 20], [60, 20], [60, 0], [40, 0]]}],
        "depth_offset_mm": inputs["claimed_depth_offset_mm"] or 0.0,
        "print_scale_u": 0.001,
    }
    board = inputs["charuco"]
    if board:
        c = board[0] if isinstance(board, list) else board
        corner = np.array([m["corners_card_mm"][0] for m in inputs["markers"]])
        margin = (c["square_mm"] - c["marker_mm"]) / 2
        target["charuco"] = {
            "squares": c["squares"],
            "square_mm": c["square_mm"],
            "marker_mm": c["marker_mm"],
            "origin_mm": c.get("origin_mm", [corner[:, 0].min() - margin, corner[:, 1].max() + margin]),
        }
    return setup_from_mapping(
        {
            "camera": {
                "image_size_px": inputs["image_size"],
                "matrix": inputs["camera_matrix"],
                "distortion": inputs["dist_coeffs"],
            },
            "target": target,
            "geometry": {"rim_diameter_mm": inputs["case_rim_outer_diameter_mm"]},
        }
    )


@dataclass(frozen=True)
class Row:
    """One picture: ``refused`` says why, else error and stated U (k = 2) in mm; processor seconds."""

    name: str
    tier: str
    must_refuse: bool
    refused: str | None
    error: float
    u: float
    seconds: float


def score(folder: Path) -> list[Row]:
    """Measure every picture of a folder and print a line each."""
    records = json.loads((folder / "truth.json").read_text())["pictures"]
    images = folder / "images" if (folder / "images").exists() else folder
    rows = []
    for name, rec in records.items():
        photo = load_photo(images / f"{name}.jpg")
        start = time.process_time()
        got = measure(photo, setup_of(rec["inputs"]))
        spent = time.process_time() - start
        must = rec["expected"] == "refuse"
        if isinstance(got, Refusal):
            print(f"{name}  refused {got.reason:16s} expected: {rec['expected']} {rec['refuse_reason'] or ''}")
            rows.append(Row(name, rec["tier"], must, got.reason, 0.0, 0.0, spent))
            continue
        assert isinstance(got, Measurement)
        error = got.value_mm - (rec["truth"]["tip_height_mm"] if rec["truth"].get("lever_present", True) else np.nan)
        print(
            f"{name}  {got.value_mm:7.3f} error {error:+.3f} U {got.expanded_mm:.3f} "
            f"{'' if abs(error) <= got.expanded_mm else 'outside':8s}{'MUST BE REFUSED ' if must else ''}"
            f"rim {got.pose['rim_rms_px']:.2f} px e {got.pose['elevation_deg']:.1f} {' '.join(f.id for f in got.flags)}"
        )
        rows.append(Row(name, rec["tier"], must, None, error, got.expanded_mm, spent))
    return rows


def table(rows: list[Row]) -> None:
    """Print one line per tier, one for A and B together, and how the ones went that had to be refused."""
    print(f"\n{'tier':5}{'n':>4}{'median':>9}{'90 %':>8}{'inside':>8}{'U':>8}{'refused':>9}{'cpu s':>8}")
    tiers = sorted({r.tier for r in rows})
    for tier in [*tiers, "AB"] if {"A", "B"} <= set(tiers) else tiers:
        some = [r for r in rows if r.tier in tier]
        good = np.array([[abs(r.error), r.u] for r in some if r.refused is None]).reshape(-1, 2)
        e, u = good.T
        told = (np.median(e), np.percentile(e, 90), np.mean(e <= u), np.median(u)) if len(e) else (np.nan,) * 4
        print(
            f"{tier:5}{len(some):4d}{told[0]:9.3f}{told[1]:8.3f}{told[2]:8.3f}{told[3]:8.3f}"
            f"{len(some) - len(e):9d}{np.median([r.seconds for r in some]):8.2f}"
        )
    must = [r for r in rows if r.must_refuse]
    if must:
        wrong = [r.name for r in must if r.refused is None and not abs(r.error) <= r.u]
        print(
            f"to be refused: {sum(r.refused is not None for r in must)} of {len(must)}; wrong values: {wrong or 'none'}"
        )


def main() -> None:
    """Score a folder."""
    import cv2

    cv2.setNumThreads(1)
    default = Path(__file__).resolve().parents[3] / "shared" / "photos"
    table(score(Path(sys.argv[1]) if len(sys.argv) > 1 else default))


if __name__ == "__main__":
    main()
