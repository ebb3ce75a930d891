"""A measurement or refusal as plain values: what is stored in the record and printed with ``--json``."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from vision.model import Component, Measurement, Pixels, Refusal

CAUTION = (
    "This value is a record, not a release: the maker's manual, local rules and a qualified person decide "
    "whether the unit may be used."
)


def to_json(result: Measurement | Refusal) -> dict[str, Any]:
    """Plain types only; the unit stands in the key's name; infinite degrees of freedom are null."""
    if isinstance(result, Refusal):
        return {
            "outcome": "refused",
            "reason": result.reason,
            "sentence": result.sentence,
            "pixels": _pixels(result.pixels),
            "photo_sha256": result.photo_sha256,
            "setup": result.setup_name,
        }
    return {
        "outcome": "measured",
        "value_mm": _round(result.value_mm),
        "expanded_mm": _round(result.expanded_mm),
        "k": result.k,
        "tilt_deg": _round(result.tilt_deg),
        "tilt_u_deg": _round(result.tilt_u_deg),
        "flags": [{"id": f.id, "sentence": f.sentence} for f in result.flags],
        "budget": [_row(c) for c in result.budget],
        "scale_mm_per_px": _round(result.scale_mm_per_px, 6),
        "pose": {k: _round(v) for k, v in result.pose.items()},
        "assisted": result.assisted,
        "points": {name: [list(p) for p in points] for name, points in result.points.items()},
        "pixels": _pixels(result.pixels),
        "photo_sha256": result.photo_sha256,
        "setup": result.setup_name,
        "caution": CAUTION,
    }


def _row(c: Component) -> dict[str, Any]:
    return {
        "source": c.source,
        "value": _round(c.value, 6),
        "unit": c.unit,
        "u": _round(c.u, 6),
        "sensitivity_mm_per_unit": _round(c.sensitivity, 6),
        "contribution_mm": _round(c.contribution_mm, 6),
        "dof": c.dof if math.isfinite(c.dof) else None,
    }


def _pixels(p: Pixels) -> dict[str, Any]:
    return {
        "rim_line": _points(p.rim_line),
        "tip": _points(p.tip),
        "foot": _points(p.foot),
        "target": [_points(q) for q in p.target],
    }


def _points(a: Any) -> Any:
    return None if a is None else np.round(np.asarray(a, float), 2).tolist()


def _round(v: float | None, digits: int = 4) -> float | None:
    return None if v is None or not math.isfinite(v) else round(float(v), digits)
