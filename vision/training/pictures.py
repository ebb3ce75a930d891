# mypy: ignore-errors
# ruff: noqa: T201
"""Renders whole photographs with exact truth: ``python pictures.py OUT COUNT FIRST_SEED SECONDS [WIDTH]``.

Leaves JPEG files and ``truth.json`` in OUT; what is there already is kept. WIDTH 0: drawn for each picture. Tier A is
clean, B is what a bench gives, C must be refused (or answered with a value that is right). With nvcc and a GPU quick,
else some ten seconds a picture.
"""

from __future__ import annotations

import io
import json
import math
import os
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image
from scenes import Drawn, Scene, Tracer, _rot, compile_tracer, draw, on_gpu

SAMPLES = int(os.environ.get("PICTURE_SAMPLES", "48"))
LEVEL = float(os.environ.get("PICTURE_LEVEL", "0"))
"""Of how many the camera stands level with the rim, besides those that do by chance."""
QUICK = int(os.environ.get("PICTURE_QUICK", "0"))
"""1: plainer light with little noise, for a machine without a GPU."""
LEAST_SEEN, _LEAST_HIGH, _NEAR_MM = 5, 4, 1.5
"""So many pixels of a lever's uppermost quarter millimetre are seen at least, and so many one upon the other of what is
so near (mm) to the tip; else it counts as hidden."""
_ROUND_MM, _LEVER_MM = 5.0, 14.0
"""How far round the rim, and how far round its middle and over it, a picture is traced finely."""


def develop(rgb: np.ndarray, g: np.random.Generator, hard: bool, bright: float | None = None) -> tuple[np.ndarray, int]:
    """Linear colours to an 8-bit picture: exposure (by its ``bright`` tenth, if not said by that of ``rgb``), vignette,
    cast, noise, sharpening; and its JPEG quality."""
    bright = float(np.percentile(rgb, 90)) if bright is None else bright
    gain = 0.62 / max(bright, 1e-3) * (g.uniform(0.75, 1.3) if hard else 1.0)
    if hard and g.random() < 0.12:
        gain *= g.choice([g.uniform(0.3, 0.6), g.uniform(1.4, 2.0)])
    x = rgb * gain
    if hard:
        h, w = rgb.shape[:2]
        yy, xx = np.mgrid[0:h, 0:w]
        r2 = ((xx - w / 2) ** 2 + (yy - h / 2) ** 2) / (w / 2) ** 2
        x = x * (1 - g.uniform(0, 0.25) * r2)[..., None] * (1 + g.uniform(-0.06, 0.06, 3))
    noise = g.choice([0.0, g.uniform(0.003, 0.018), g.uniform(0.003, 0.03)], p=[0.1, 0.7, 0.2]) if hard else 0.0015
    x = np.clip(x + g.normal(size=x.shape) * noise * np.sqrt(np.clip(x, 0.02, 1)), 0, 1) ** (1 / g.uniform(2.0, 2.4))
    if hard and g.random() < 0.3:
        x = x + g.uniform(-0.7, 0.7) * x * (1 - x) * (2 * x - 1)
    if hard and g.random() < 0.5:
        x = x + g.uniform(0.2, 0.9) * (x - cv2.GaussianBlur(x, (0, 0), g.uniform(0.8, 1.8)))
    quality = int(g.integers(75, 93) if g.random() < 0.75 else g.integers(55, 99)) if hard else 94
    return np.asarray(np.clip(x * 255 + 0.5, 0, 255), np.uint8), quality


def filed(img: np.ndarray, quality: int) -> bytes:
    """A picture as a JPEG file."""
    data = io.BytesIO()
    Image.fromarray(img).save(data, "JPEG", quality=quality)
    return data.getvalue()


def _level(rgb: np.ndarray) -> float:
    """What is shown as full light."""
    return max(float(np.percentile(rgb[rgb.max(2) > 0], 90)), 1e-3) / 0.62


def _shown(rgb: np.ndarray, level: float) -> np.ndarray:
    return np.sqrt(np.clip(rgb / level, 0, 4)).astype(np.float32)


def noise(rgb: np.ndarray) -> np.ndarray:
    """How noisy linear colours are round each pixel (H, W), in parts of the picture's range."""
    shown = _shown(rgb, _level(rgb)).mean(2)
    return np.asarray(cv2.blur(np.abs(shown - cv2.medianBlur(shown, 3)), (7, 7)))


def calmed(rgb: np.ndarray) -> np.ndarray:
    """Linear colours with less of the tracer's noise; edges stay."""
    return _smoothed(rgb, 1.5, 0.1, 1.2)


def _smoothed(rgb: np.ndarray, at_most: float, alike: float, wide: float) -> np.ndarray:
    """Linear colours in which no pixel is more than so many times as bright as its neighbours' middle, as a camera
    never sees one, and those of neighbours, so ``wide`` about, that are so much alike, as shown, are mixed."""
    level = _level(rgb)
    shown = _shown(rgb, level)
    calm = np.minimum(shown, at_most * cv2.medianBlur(shown, 3) + 0.05)
    return np.asarray(cv2.bilateralFilter(calm, 4 * round(wide) + 1, alike, wide) ** 2 * level)


def filled(rgb: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Linear colours where only every other pixel of every other row and those of ``known`` (H, W) were traced."""
    rgb = rgb.copy()
    rgb[::2, ::2] = _smoothed(rgb[::2, ::2], 1.2, 0.3, 2.5)
    weight = known.astype(np.float32)
    spread = cv2.GaussianBlur(rgb * weight[..., None], (0, 0), 1.2)
    return np.asarray(spread / cv2.GaussianBlur(weight, (0, 0), 1.2)[..., None])


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


def card_to_world(s: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Rotation (3, 3) and place (3,) of the card's frame in the world."""
    return _rot(math.degrees(s.cyaw), math.degrees(s.clean)).T, np.array(s.card[:])


def unknowns_of(d: Drawn) -> list[float]:
    """What measuring seeks (``vision.adjust``): pose, the rim's centre, its axis, edge break, the land's inner edge."""
    s = d.scene
    turn, at = card_to_world(s)
    to_camera = np.array(s.rot[:]).reshape(3, 3)
    up = turn.T @ np.array([0.0, 0.0, 1.0])
    pose = [*cv2.Rodrigues(to_camera @ turn)[0].ravel(), *(to_camera @ (at - np.array(s.cam[:])))]
    tilt = [math.atan2(-up[1], up[2]), math.asin(up[0])]
    own = [s.rout - d.notes["outline_radius"], d.notes["inner_radius"]]
    return [float(v) for v in (*pose, *(turn.T @ -at), *tilt, *own)]


def _seen_at(s: Scene, xyz: np.ndarray) -> np.ndarray:
    """Where places (N, 3) of the world are seen (N, 2), px."""
    q = (xyz - np.array(s.cam[:])) @ np.array(s.rot[:]).reshape(3, 3).T
    n = q[:, :2] / q[:, 2:]
    r2 = np.sum(n**2, 1, keepdims=True)
    return np.asarray(n * (1 + s.k1 * r2 + s.k2 * r2**2) * [s.fx, s.fy] + [s.cx, s.cy])


def marker_corners(d: Drawn) -> list[np.ndarray]:
    """Where each marker's corners (4, 2) are seen, px."""
    turn, at = card_to_world(d.scene)
    cards = (np.array(corners) for corners in d.markers.values())
    return [_seen_at(d.scene, np.stack([c[:, 0], np.zeros(4), c[:, 1]], 1) @ turn.T + at) for c in cards]


def framed(d: Drawn) -> bool:
    """Whether a marker lies wholly in the picture."""
    far = np.array([d.scene.width, d.scene.height]) - 1
    return any(bool((px > 0).all() and (px < far).all()) for px in marker_corners(d))


def matters(d: Drawn, size: tuple[int, ...]) -> np.ndarray:
    """Where edges are measured (H, W): the markers, the case's opening and what is close by. Its bounds keep away from
    the edges: traced finely along these alone, a picture tells where they are though they cannot be seen."""
    out = np.zeros(size, np.uint8)
    places = [px.mean(0) + (px - px.mean(0)) * 1.3 for px in marker_corners(d)]
    a = np.linspace(0, 2 * np.pi, 73)[:, None]
    circle = np.hstack([np.cos(a), np.sin(a), 0 * a])
    for radius, low, high in ((d.scene.rout + _ROUND_MM, -_ROUND_MM, _ROUND_MM), (_LEVER_MM, 0.0, _LEVER_MM)):
        both = np.concatenate([circle * radius + [0, 0, z] for z in (low, high)])
        places.append(cv2.convexHull(_seen_at(d.scene, both).astype(np.float32))[:, 0])
    for px in places:
        cv2.fillConvexPoly(out, np.round(px).astype(np.int32), 1)
    return out > 0


def traced(tracer: Tracer, d: Drawn) -> np.ndarray:
    """Linear colours of a scene, traced finely where edges are measured."""
    s = d.scene
    fine = matters(d, (s.height, s.width))
    coarse = np.zeros(fine.shape, np.uint8)
    coarse[::2, ::2] = max(1, SAMPLES // 4)
    rgb = tracer.colours(s, np.where(fine, SAMPLES, coarse))
    unsure = fine & (noise(rgb) > 0.03)
    s.seed = (s.seed + 1) % (1 << 31)
    rgb[unsure] += 3 * (tracer.colours(s, np.where(unsure, 3 * SAMPLES, 0)) - rgb)[unsure] / 4
    here = fine[..., None]
    rgb = np.where(here, rgb, filled(rgb, fine | (coarse > 0)))
    return np.where(here, calmed(rgb), rgb)


def one(tracer: Tracer, seed: int, size: tuple[int, int] | None = None) -> tuple[dict[str, Any], bytes] | None:
    """Render picture ``seed``: its record and its JPEG bytes; None when the tip
    stands further from the axis than a setup allows, and for most scenes in which it is not seen."""
    g = np.random.default_rng(seed + 31)
    tier = "AABBBBBC"[seed % 8]
    wide = int(g.choice([800, 1000, 1280, 1600], p=[0.15, 0.15, 0.5, 0.2]))
    d = draw(seed, hard=0.0 if tier == "A" else 1.0, size=size or (wide, wide * 3 // 4), level=LEVEL)
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
    s.quick = s.quick or QUICK
    s.spp = 0
    _, label, pos = tracer.render(s)
    lever = label == 4
    tip = int((lever & (pos[..., 2] > z - 0.25)).sum())
    high = int((lever & (np.abs(pos[..., 0] - x) < _NEAR_MM)).sum(0).max())
    if s.lever_on and math.hypot(x, y) > 6.5:
        return None
    if case is None and (tip < LEAST_SEEN or high < _LEAST_HIGH):
        if seed % 3:
            return None
        tier, case = "C", "hidden"
    if case is None and not framed(d):
        tier, case = "C", "no_marker"
    rgb = traced(tracer, d)
    img, quality = develop(rgb, g, tier != "A")
    inputs = inputs_of(d, claimed)
    if case == "other_target":
        for m in inputs["markers"]:
            m["id"] = (m["id"] + 17) % 50
    turn, at = card_to_world(s)
    truth = {
        "tip_height_mm": z,
        "tip_world_mm": [x, y, z],
        "tip_card_mm": list(turn.T @ (np.array([x, y, z]) - at)),
        "unknowns": unknowns_of(d),
        "tip_pixels_visible": tip,
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
    return rec, filed(img, quality)


def main() -> None:
    """Render until the count or the time is reached."""
    out, count, first, seconds = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4])
    width = int(sys.argv[5]) if len(sys.argv) > 5 else 0
    size = (width, width * 3 // 4) if width else None
    out.mkdir(parents=True, exist_ok=True)
    start, table = time.time(), out / "truth.json"
    records = json.loads(table.read_text())["pictures"] if table.exists() else {}
    tracer = Tracer(compile_tracer(out))
    seed = max([first - 1, *(int(name[1:]) for name in records)])
    at_once = min(8, os.cpu_count() or 1) if on_gpu() else 1
    with ThreadPoolExecutor(at_once) as pool:
        while len(records) < count and time.time() - start < seconds:
            seeds = range(seed + 1, seed + 1 + min(2 * at_once, count - len(records)))
            seed = seeds[-1]
            for k, made in zip(seeds, pool.map(lambda k: one(tracer, k, size), seeds), strict=True):
                if made is None:
                    continue
                rec, data = made
                name = f"{rec['tier']}{k:07d}"
                (out / f"{name}.jpg").write_bytes(data)
                records[name] = rec
            table.write_text(json.dumps({"pictures": records}, default=float))
    print(f"{len(records)} pictures in {time.time() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
