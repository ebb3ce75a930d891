"""Several frames of one view: measured one by one, combined, and their scatter used.

What the frames share (size of the print, camera, places of card and case) is wrong in all of them alike and does not
average out; what differs from frame to frame (noise, shake, a reflection that moves) shows as scatter. The value is
the mean; the budget is that of the frame nearest to it, with the standard uncertainty of a mean of n (JCGM 100:2008,
4.2.3) as a row more. So that k = 2 still covers 95 % with few frames, the row is widened by Student's factor for
n - 1 degrees of freedom (JCGM 100:2008, table G.2) over 2.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from vision.measuring import measure
from vision.model import Component, Flag, Measurement, Photo, Refusal, Setup
from vision.report import to_json

_STUDENT_95 = (12.71, 4.30, 3.18, 2.78, 2.57, 2.45, 2.36, 2.31, 2.26, 2.23, 2.20, 2.18, 2.16, 2.14, 2.13)
"""t for 95 % and 1, 2, 3 ... degrees of freedom: JCGM 100:2008, table G.2."""
_MOST_LEFT_OUT = 1 / 3


@dataclass(frozen=True, eq=False)
class Burst:
    """``result``: what all frames say together; ``frames``: what each says; ``shown``: the frame whose picture
    and pixels belong to the result."""

    result: Measurement | Refusal
    frames: tuple[Measurement | Refusal, ...]
    shown: int


def measure_burst(photos: Iterable[Photo], setup: Setup) -> Burst:
    """Measure several frames of one view, one after another (a generator need not hold them all).

    Raises:
        ValueError: no frame.
    """
    return combine([measure(photo, setup) for photo in photos])


def combine(results: Sequence[Measurement | Refusal]) -> Burst:
    """Combine what was measured on several frames of one view.

    A frame whose value lies further from the median than its own expanded uncertainty is wrong, not merely noisy, and
    is left out; when that or refusals happen to more than a third of them, there is no value.

    Raises:
        ValueError: no frame.
    """
    if not results:
        raise ValueError("no frame was given; give at least one")
    good = [(k, r) for k, r in enumerate(results) if isinstance(r, Measurement)]
    refused = [(k, r) for k, r in enumerate(results) if isinstance(r, Refusal)]
    if len(refused) > _MOST_LEFT_OUT * len(results):
        shown, refusal = _commonest(refused)
        return Burst(refusal, tuple(results), shown)
    middle = float(np.median([m.value_mm for _, m in good]))
    used = [(k, m) for k, m in good if abs(m.value_mm - middle) <= m.expanded_mm]
    if len(results) - len(used) > _MOST_LEFT_OUT * len(results):
        shown, first = min(good, key=lambda one: abs(one[1].value_mm - middle))
        return Burst(_disagree([m for _, m in good], first), tuple(results), shown)
    mean = float(np.mean([m.value_mm for _, m in used]))
    shown, base = min(used, key=lambda one: abs(one[1].value_mm - mean))
    whole = base if len(results) == 1 else _together(base, [m for _, m in used], len(results) - len(used))
    return Burst(whole, tuple(results), shown)


def burst_json(burst: Burst) -> dict[str, Any]:
    """The combined result as plain values (see :func:`vision.to_json`), with one line for each frame."""
    return {
        **to_json(burst.result),
        "frames": [
            {
                "photo_sha256": r.photo_sha256,
                **(
                    {"outcome": "measured", "value_mm": round(r.value_mm, 4), "expanded_mm": round(r.expanded_mm, 4)}
                    if isinstance(r, Measurement)
                    else {"outcome": "refused", "reason": r.reason}
                ),
            }
            for r in burst.frames
        ],
    }


def mean_uncertainty(values: np.ndarray[Any, np.dtype[np.float64]]) -> float:
    """Standard uncertainty of the mean of (n,) values, widened so that twice it covers 95 %; 0 for a single one."""
    n = len(values)
    if n < 2:
        return 0.0
    factor = max(1.0, _STUDENT_95[min(n - 1, len(_STUDENT_95)) - 1] / 2)
    return float(values.std(ddof=1)) / math.sqrt(n) * factor


def _together(base: Measurement, used: Sequence[Measurement], out: int) -> Measurement:
    values = np.array([m.value_mm for m in used])
    n, mean, u = len(values), float(values.mean()), mean_uncertainty(values)
    rows = (*base.budget, Component(f"scatter of {n} frames", mean, "mm", u, 1.0, u, float(max(n - 1, 1))))
    flags = {flag.id: flag for m in used for flag in m.flags}
    if out:
        sentence = f"{out} of {n + out} frames could not be used or disagreed with the others and were left out."
        flags["frames_left_out"] = Flag("frames_left_out", sentence)
    tilts = [m.tilt_deg for m in used if m.tilt_deg is not None]
    return replace(
        base,
        value_mm=mean,
        expanded_mm=base.k * math.sqrt(sum(r.contribution_mm**2 for r in rows)),
        tilt_deg=float(np.mean(tilts)) if len(tilts) == n else base.tilt_deg,
        flags=tuple(flags.values()),
        budget=rows,
        pose={**base.pose, "frames": float(n), "frames_scatter_mm": float(values.std(ddof=1)) if n > 1 else 0.0},
    )


def _commonest(refused: Sequence[tuple[int, Refusal]]) -> tuple[int, Refusal]:
    """The refusal that most frames gave, the first of its kind."""
    reason = Counter(r.reason for _, r in refused).most_common(1)[0][0]
    return next((k, r) for k, r in refused if r.reason == reason)


def _disagree(good: Sequence[Measurement], shown: Measurement) -> Refusal:
    spread = max(m.value_mm for m in good) - min(m.value_mm for m in good)
    return Refusal(
        "frames_disagree",
        f"The frames disagree by {spread:.2f} millimetres. Let camera, case and light rest and take them again.",
        shown.pixels,
        {},
        shown.photo_sha256,
        shown.setup_name,
    )
