# ruff: noqa: T201
"""Renders the demonstration's lever photographs and writes their setup: ``python make_lever_photos.py TRACER.so``.

``TRACER.so`` is ``vision/training/tracer.cu`` compiled as its head says. The scene is our own invention: a case of
60 mm, its lever, two printed cards; only the lever's height differs from picture to picture.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "vision" / "training"))

import pictures  # noqa: E402
from scenes import MAT, Drawn, Scene, Tracer, _card, _light, _materials, _set  # noqa: E402

SHOTS = {"lever-assembled": 3.05, "lever-pressurised": 2.10}
OFFSET = 2.0


def scene(height: float) -> Drawn:
    """The bench, the case and its lever ``height`` mm over the rim."""
    g = np.random.default_rng(20)
    s = Scene()
    d = Drawn(s)
    s.seed = 77
    _materials(s, g)
    _set(s, MAT["case"], (0.03, 0.09, 0.3), 0, 0.35)
    _set(s, MAT["stand"], (0.12, 0.12, 0.13), 0, 0.5)
    _set(s, MAT["lever"], (0.66, 0.65, 0.62), 1, 0.3)
    _set(s, MAT["card"], (0.78, 0.78, 0.76), 0, 0.8)
    _set(s, MAT["bench"], (0.36, 0.27, 0.19), 0, 0.5, 2, 0.4)
    _set(s, MAT["wall"], (0.42, 0.44, 0.42), 0, 0.9, 1, 0.2)
    s.insertz = -1e6
    r, ri = 30.0, 27.4
    prof = [
        (r - 0.3, 0),
        (r, -0.3),
        (r, -3),
        (r - 0.5, -3.2),
        (r - 0.5, -4),
        (r, -4.3),
        (r, -14),
        (r - 3, -21),
        (19, -24),
        (0, -24),
        (0, -20),
        (ri - 2, -20),
        (ri, -18),
        (ri, -0.3),
        (ri + 0.3, 0),
    ]
    s.nprof = len(prof)
    for k, (a, b) in enumerate(prof):
        s.prof[k][0], s.prof[k][1] = a, b
    stand = [(18, -23), (15, -34), (20, -38), (24, -41), (0, -41), (0, -23)]
    s.nstand = len(stand)
    for k, (a, b) in enumerate(stand):
        s.stand[k][0], s.stand[k][1] = a, b
    s.rout, s.ztop, s.rin, s.zfloor, s.bench_z, s.wall_y = r, 0.0, ri + 0.35, -20.0, -41.0, 260.0
    th = 1.1
    pts = [(-17.0, -9.0), (-6.0, -9.0), (0.0, height - 0.5 * th * 0.35)]
    s.nlev = 3
    for k, (a, b) in enumerate(pts):
        s.lev[k][0], s.lev[k][1] = a, b
    s.lorg[:] = [2.0, 1.0, 0.0]
    s.laz, s.ltilt, s.lwidth, s.lthick, s.ledge, s.lcorner, s.lever_on = np.radians(92.0), 0.0, 5.2, th, 0.15, 1.0, 1
    _light(s, g)
    s.top = 60.0
    s.card[:] = [0.0, 1.0 + OFFSET, 0.0]
    _card(d, np.random.default_rng(4), "pair")
    e, dist, (w, h) = np.radians(4.5), 205.0, (1280, 960)
    c = np.array([0, 0, -6.0]) + dist * np.array([0.03, -np.cos(e), np.sin(e)])
    f = -(c - [0, 0, -6.0]) / np.linalg.norm(c - [0, 0, -6.0])
    right = np.cross(f, [0, 0, 1])
    right /= np.linalg.norm(right)
    s.cam[:] = [float(v) for v in c]
    s.rot[:] = [float(v) for v in np.array([right, np.cross(f, right), f]).ravel()]
    s.fx = s.fy = w * dist / 150
    s.cx, s.cy, s.width, s.height, s.spp = (w - 1) / 2, (h - 1) / 2, w, h, 40
    s.row0, s.row1 = pictures._rows(d)
    return d


def main() -> None:
    """Render every shot and write the setup file."""
    tracer = Tracer(Path(sys.argv[1]))
    out = HERE / "jobs" / "lever-valve" / "photos"
    out.mkdir(parents=True, exist_ok=True)
    for name, height in SHOTS.items():
        d = scene(height)
        x, y, z = tracer.highest(d.scene)
        for _ in range(3):  # put the highest point exactly where it is wanted
            d.scene.lev[2][1] += height - z
            x, y, z = tracer.highest(d.scene)
        gap = d.scene.card[1] - y
        rgb, _, _ = tracer.render(d.scene)
        plain = cv2.GaussianBlur(rgb, (0, 0), 2.0)
        rgb[: d.scene.row0], rgb[d.scene.row1 :] = plain[: d.scene.row0], plain[d.scene.row1 :]
        g = np.random.default_rng(5)
        img, _ = pictures.develop(rgb, g, False)
        cv2.imwrite(str(out / f"{name}.jpg"), img[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 88])
        print(name, f"tip ({x:.3f}, {y:.3f}, {z:.4f}) mm, card {gap:.3f} mm behind the tip", flush=True)
    (HERE / "setups").mkdir(exist_ok=True)
    (HERE / "setups" / "bench-camera.toml").write_text(setup_text(d, gap), encoding="utf-8")


def setup_text(d: Drawn, gap: float) -> str:
    """The setup file for these pictures."""
    s = d.scene
    lines = [
        'name = "bench camera, 60 mm case"',
        "",
        "[camera]",
        'name = "bench camera"',
        f"image_size_px = [{s.width}, {s.height}]",
        f"matrix = [[{s.fx:.4f}, 0.0, {s.cx}], [0.0, {s.fy:.4f}, {s.cy}], [0.0, 0.0, 1.0]]",
        "distortion = [0.0, 0.0, 0.0, 0.0, 0.0]",
        "",
        "[geometry]",
        "rim_diameter_mm = 60.0",
        "lever_width_mm = 5.2",
        "",
        "[target]",
        f'dictionary = "{d.notes["dictionary"]}"',
        f"depth_offset_mm = {gap:.2f}",
        "depth_offset_u_mm = 0.2",
        "print_scale_u = 0.002",
    ]
    for ident, corners in d.markers.items():
        text = ", ".join(f"[{x:.3f}, {z:.3f}]" for x, z in corners)
        lines += ["", "[[target.markers]]", f"id = {ident}", f"corners_mm = [{text}]"]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
