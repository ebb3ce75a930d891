# mypy: ignore-errors
# ruff: noqa: T201
"""Renders whole photographs with exact truth: ``python pictures.py OUT COUNT FIRST_SEED SECONDS [WIDTH]``.

Leaves ``pictures.tar`` (JPEG files and ``truth.json``) in OUT. Tier A is clean, B is what a bench gives, C must be
refused (or answered with a value that is right). Needs nvcc and a GPU.
"""

from __future__ import annotations

import io
import json
import math
import os
import sys
import tarfile
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image
from scenes import Drawn, Tracer, compile_tracer, draw

SAMPLES = int(os.environ.get("PICTURE_SAMPLES", "48"))


def develop(rgb: np.ndarray, g: np.random.Generator, hard: bool) -> tuple[np.ndarray, int]:
    """Linear colours to an 8-bit picture: exposure, vignette, cast, noise, sharpening; and its JPEG quality."""
    gain = 0.62 / max(float(np.percentile(rgb, 90)), 1e-3) * (g.uniform(0.75, 1.3) if hard else 1.0)
    x = rgb * gain
    if hard:
        h, w = rgb.shape[:2]
        yy, xx = np.mgrid[0:h, 0:w]
        r2 = ((xx - w / 2) ** 2 + (yy - h / 2) ** 2) / (w / 2) ** 2
        x = x * (1 - g.uniform(0, 0.25) * r2)[..., None] * (1 + g.uniform(-0.06, 0.06, 3))
    noise = g.uniform(0.003, 0.018) if hard else 0.0015
    x = np.clip(x + g.normal(size=x.shape) * noise * np.sqrt(np.clip(x, 0.02, 1)), 0, 1) ** (1 / 2.2)
    if hard and g.random() < 0.5:
        x = x + g.uniform(0.2, 0.6) * (x - cv2.GaussianBlur(x, (0, 0), 1.2))
    return np.asarray(np.clip(x * 255 + 0.5, 0, 255), np.uint8), int(g.integers(75, 93)) if hard else 94


def inputs_of(d: Drawn, offset: float) -> dict[str, Any]:
    """What a tool may be told."""
    s = d.scene
    return {
        "marker_dict": d.notes["dictionary"],
        "layout": d.layout,
        "markers": [{"id": k, "corners_card_mm": v} for k, v in d.markers.items()],
        "charuco": d.charuco,
        "claimed_depth_offset_mm": offset,
        "case_rim_outer_diameter_mm": d.rim_diameter,
        "image_size": [s.width, s.height],
        "camera_matrix": [[s.fx, 0, s.cx], [0, s.fy, s.cy], [0, 0, 1]],
        "dist_coeffs": [s.k1, s.k2, 0, 0, 0],
    }


def _rows(d: Drawn) -> tuple[int, int]:
    """The rows that hold markers, rim and tip: they get all the rays."""
    s = d.scene
    z = [c[1] for m in d.markers.values() for c in m] + [8.0, -5.0]
    xyz = np.array([[x, y, v] for v in (min(z) - 1, max(z) + 1) for x in (-60, 60) for y in (-s.rout, s.rout)])
    q = (xyz - np.array(s.cam[:])) @ np.array(s.rot[:]).reshape(3, 3).T
    v = s.cy + s.fy * q[:, 1] / q[:, 2]
    return int(v.min()) - 12, int(v.max()) + 12


def one(tracer: Tracer, seed: int, size: tuple[int, int] | None = None) -> tuple[dict[str, Any], bytes]:
    """Render picture ``seed``: its record and its JPEG bytes."""
    g = np.random.default_rng(seed + 31)
    tier = "AABBBBBC"[seed % 8]
    d = draw(seed, hard=0.0 if tier == "A" else 1.0, size=size or [(1280, 960), (1600, 1200)][int(g.integers(2))])
    s = d.scene
    case = None
    if tier == "C":
        case = str(g.choice(["depth", "depth", "blur", "other_target", "no_lever"]))
        if case == "no_lever":
            s.lever_on = 0
    x, y, z = tracer.highest(s, 0.03) if s.lever_on else (0.0, 0.0, float("nan"))
    offset = s.card[1] + math.tan(s.cyaw) * (x - s.card[0]) - y
    claimed = offset
    if case == "depth":
        claimed = offset + float(g.choice([-1, 1])) * g.uniform(11, 30)
    if case == "blur":
        s.aperture, s.focus = 9.0, s.focus * 0.7 + 20
    s.spp = SAMPLES
    s.row0, s.row1 = _rows(d)
    rgb, label, pos = tracer.render(s)
    plain = cv2.GaussianBlur(rgb, (0, 0), 1.5)
    rgb[: max(s.row0 - 2, 0)], rgb[s.row1 + 2 :] = plain[: max(s.row0 - 2, 0)], plain[s.row1 + 2 :]
    tip = pos[(label == 4) & (pos[..., 2] > z - 0.25)] if s.lever_on else np.zeros((0, 3))
    img, quality = develop(rgb, g, tier != "A")
    inputs = inputs_of(d, claimed)
    if case == "other_target":
        for m in inputs["markers"]:
            m["id"] = (m["id"] + 17) % 50
    data = io.BytesIO()
    Image.fromarray(img).save(data, "JPEG", quality=quality)
    truth = {
        "tip_height_mm": z,
        "tip_world_mm": [x, y, z],
        "tip_pixels_visible": len(tip),
        "lever_present": bool(s.lever_on),
    }
    rec = {
        "tier": tier,
        "expected": "refuse" if case else "measure",
        "refuse_reason": case,
        "inputs": inputs,
        "truth": truth,
        "params": dict(d.notes.items()),
    }
    return rec, data.getvalue()


def main() -> None:
    """Render until the count or the time is reached; a file takes up to 15.5 MB."""
    out, count, first, seconds = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4])
    size = (int(sys.argv[5]), int(sys.argv[5]) * 3 // 4) if len(sys.argv) > 5 else None
    start, records, lib = time.time(), {}, compile_tracer(out)
    tracer = Tracer(lib)
    with tarfile.open(out / "pictures.tar", "w") as tar:
        for k in range(count):
            rec, data = one(tracer, first + k, size)
            if tar.offset + len(data) > 15_000_000:
                break
            name = f"{rec['tier']}{first + k:07d}"
            records[name] = rec
            _add(tar, name + ".jpg", data)
            if time.time() - start > seconds:
                break
        _add(tar, "truth.json", json.dumps({"pictures": records}, default=float).encode())
    print(f"{len(records)} pictures in {time.time() - start:.0f} s", flush=True)


def _add(tar: tarfile.TarFile, name: str, data: bytes) -> None:
    info = tarfile.TarInfo(name)
    info.size = len(data)
    tar.addfile(info, io.BytesIO(data))


if __name__ == "__main__":
    main()
