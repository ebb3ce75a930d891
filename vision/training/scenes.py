# mypy: ignore-errors
"""Draws made-up scenes at random and has them rendered by ``tracer.cu``; the truth comes from the same shapes.

Nothing here is needed to measure: it makes the pictures from which the network of ``vision.segment`` is trained
and those of the benchmark. Lengths in mm, angles in degrees, world frame as in ``tracer.cu``.
"""

from __future__ import annotations

import ctypes
import math
import shutil
import subprocess
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

_F, _I, _U = ctypes.c_float, ctypes.c_int, ctypes.c_uint32


def on_gpu() -> bool:
    """Whether scenes are rendered by a graphics processor."""
    return bool(shutil.which("nvcc")) and any(Path("/dev").glob("nvidia[0-9]*"))


def compile_tracer(folder: Path) -> Path:
    """Compile ``tracer.cu`` for the graphics processor at hand, or, without nvcc, for the processor (slow).

    Returns:
        the library in ``folder``.
    """
    source, library = str(Path(__file__).parent / "tracer.cu"), folder / "tracer.so"
    if library.exists() and library.stat().st_mtime > Path(source).stat().st_mtime:
        return library
    if on_gpu():
        flags = [
            "-O3",
            "-arch=native",
            "--use_fast_math",
            "--default-stream=per-thread",
            "-shared",
            "-Xcompiler",
            "-fPIC",
        ]
        command = ["nvcc", *flags, source, "-o", str(library)]
    else:
        flags = ["-O3", "-march=native", "-ffast-math", "-fopenmp", "-shared", "-fPIC", "-x", "c++"]
        command = ["g++", *flags, source, "-o", str(library)]
    subprocess.run(command, check=True)
    return library


class Material(ctypes.Structure):
    """Colour 0..1, metal 0/1, roughness, reflectance head on, kind and strength of the texture."""

    _fields_ = [(n, _F) for n in ("r", "g", "b", "metal", "rough", "spec", "tex", "texamp")]


class Prim(ctypes.Structure):
    """One simple body: 0 box, 1 cylinder, 2 capsule, 3 hexagon, 4 sphere, 5 coil."""

    _fields_ = [("kind", _I), ("mat", _I), ("p", _F * 3), ("m", _F * 9)] + [
        (n, _F) for n in ("a", "b", "c", "r", "reach")
    ]


class Rect(ctypes.Structure):
    """One printed square of the card: lower left x, upper z, side, cells a side (0: plain black), bits."""

    _fields_ = [("x", _F), ("z", _F), ("size", _F), ("n", _I), ("bits", _U * 2)]


class Light(ctypes.Structure):
    """A round patch of light far away: direction, cosine of its half angle, radiance."""

    _fields_ = [("dir", _F * 3), ("cosa", _F), ("rgb", _F * 3)]


class Scene(ctypes.Structure):
    """The whole scene as ``tracer.cu`` reads it."""

    _fields_ = [
        ("nprof", _I),
        ("prof", _F * 2 * 24),
        ("nstand", _I),
        ("stand", _F * 2 * 12),
        ("ribs", _I),
        ("ribdepth", _F),
        ("ribz0", _F),
        ("ribz1", _F),
        ("rout", _F),
        ("ztop", _F),
        ("rin", _F),
        ("zfloor", _F),
        ("ribr", _F),
        ("top", _F),
        ("insertz", _F),
        ("nlev", _I),
        ("lev", _F * 2 * 6),
        ("lorg", _F * 3),
        *[(n, _F) for n in ("laz", "ltilt", "lwidth", "lthick", "ledge", "lcorner", "lslotw", "lslotd", "lhole")],
        *[(n, _F) for n in ("lrod", "lroll", "lcamber", "lknob", "lknobh", "lknobr")],
        ("lever_on", _I),
        ("ninner", _I),
        ("inner", Prim * 16),
        ("nouter", _I),
        ("outer", Prim * 24),
        ("card", _F * 3),
        ("cyaw", _F),
        ("clean", _F),
        ("nrect", _I),
        ("rect", Rect * 48),
        ("bench_z", _F),
        ("wall_y", _F),
        ("mat", Material * 24),
        ("sky", _F * 3),
        ("ground", _F * 3),
        ("envseed", _F),
        ("envamp", _F),
        ("nlight", _I),
        ("light", Light * 4),
        ("cam", _F * 3),
        ("rot", _F * 9),
        *[(n, _F) for n in ("fx", "fy", "cx", "cy", "k1", "k2")],
        ("mode", _I),
        ("plane_y", _F),
        ("px0", _F),
        ("pz0", _F),
        ("mmpp", _F),
        ("focus", _F),
        ("aperture", _F),
        ("motion", _F * 2),
        ("width", _I),
        ("height", _I),
        ("spp", _I),
        ("seed", _U),
        ("row0", _I),
        ("row1", _I),
        ("quick", _I),
        ("shadow", _F),
        ("gloss", _F),
        ("hollow", _F),
    ]


MAT = {
    "case": 0,
    "stand": 1,
    "lever": 2,
    "card": 3,
    "bench": 4,
    "wall": 5,
    "floor": 6,
    "spring": 7,
    "nut": 8,
    "foot": 9,
}
PLASTIC = [
    (0.02, 0.02, 0.022),
    (0.05, 0.05, 0.055),
    (0.2, 0.21, 0.23),
    (0.35, 0.35, 0.36),
    (0.03, 0.1, 0.4),
    (0.7, 0.2, 0.03),
    (0.5, 0.04, 0.04),
    (0.7, 0.55, 0.05),
    (0.03, 0.25, 0.12),
    (0.65, 0.65, 0.62),
]
METAL = [(0.62, 0.62, 0.63), (0.66, 0.6, 0.52), (0.5, 0.5, 0.52), (0.75, 0.57, 0.28), (0.56, 0.57, 0.58)]


@dataclass
class Drawn:
    """A scene with what was drawn: the card's markers, layout, claims and camera."""

    scene: Scene
    markers: dict[int, list[list[float]]] = field(default_factory=dict)
    charuco: dict[str, Any] | None = None
    layout: str = "none"
    rim_diameter: float = 0.0
    notes: dict[str, Any] = field(default_factory=dict)


def _rot(yaw: float, pitch: float = 0.0, roll: float = 0.0) -> np.ndarray:
    a, b, c = (math.radians(v) for v in (yaw, pitch, roll))
    rz = np.array([[math.cos(a), math.sin(a), 0], [-math.sin(a), math.cos(a), 0], [0, 0, 1]])
    rx = np.array([[1, 0, 0], [0, math.cos(b), math.sin(b)], [0, -math.sin(b), math.cos(b)]])
    ry = np.array([[math.cos(c), 0, -math.sin(c)], [0, 1, 0], [math.sin(c), 0, math.cos(c)]])
    return np.asarray(rx @ ry @ rz)


def _prim(kind: int, mat: int, p: Any, rot: np.ndarray, a: float, b: float, c: float = 1.0, r: float = 0.0) -> Prim:
    q = Prim()
    q.kind, q.mat, q.a, q.b, q.c, q.r = kind, mat, a, b, c, r
    q.reach = [math.hypot(a, b, c), math.hypot(a, b), a + b, math.hypot(1.16 * a, b), a, a + b + r][kind]
    q.p[:] = [float(v) for v in p]
    q.m[:] = [float(v) for v in rot.ravel()]
    return q


def _set(s: Scene, name: int, rgb: Any, metal: float, rough: float, tex: int = 0, amp: float = 0.0) -> None:
    m = s.mat[name]
    m.r, m.g, m.b = (float(v) for v in rgb)
    m.metal, m.rough, m.spec, m.tex, m.texamp = metal, rough, 0.0 if metal else 0.04, tex, amp


def _materials(s: Scene, g: np.random.Generator) -> None:
    def pick(table: list[tuple[float, float, float]]) -> np.ndarray:
        return np.clip(np.array(table[g.integers(len(table))]) * g.uniform(0.7, 1.3) + g.uniform(0, 0.02, 3), 0, 0.95)

    tex, amp = (3, g.uniform(0, 0.3)) if g.random() < 0.4 else (0, 0.0)
    kind = g.random()
    if kind < 0.2:  # black plastic
        _set(s, MAT["case"], g.uniform(0.012, 0.05) + g.uniform(0, 0.006, 3), 0, g.uniform(0.15, 0.7), tex, amp)
    elif kind < 0.56:
        _set(s, MAT["case"], pick(PLASTIC), 0, g.uniform(0.15, 0.7), tex, amp)
    elif kind < 0.62:  # clear or lacquered: most of what is seen are reflections
        _set(s, MAT["case"], pick(PLASTIC), 0, g.uniform(0.02, 0.12), tex, amp)
        s.mat[MAT["case"]].spec = g.uniform(0.2, 0.6)
    elif kind < 0.82:  # chrome
        _set(s, MAT["case"], pick(METAL), 1, g.uniform(0.02, 0.14), tex, amp)
    else:
        _set(s, MAT["case"], pick(METAL), 1, g.uniform(0.2, 0.5), tex, amp)
    _set(s, MAT["stand"], pick(PLASTIC), 0, g.uniform(0.3, 0.8))
    lev = pick(METAL) * (g.uniform(0.3, 0.8) if g.random() < 0.3 else 1)
    _set(s, MAT["lever"], lev, 1, g.uniform(0.06, 0.6), 3 if g.random() < 0.5 else 0, g.uniform(0, 0.5))
    if g.random() < 0.12:
        _set(s, MAT["lever"], pick(PLASTIC), 0, g.uniform(0.2, 0.6))
    _set(s, MAT["card"], np.full(3, g.uniform(0.6, 0.85)), 0, g.uniform(0.4, 0.9))
    _set(
        s,
        MAT["bench"],
        g.choice([0.1, 0.3, 0.5]) * (1 + g.uniform(-0.5, 0.5, 3)),
        0,
        g.uniform(0.3, 0.9),
        int(g.integers(1, 4)),
        g.uniform(0, 0.6),
    )
    _set(s, MAT["wall"], g.uniform(0.05, 0.7) * (1 + g.uniform(-0.2, 0.2, 3)), 0, 0.9, 1, g.uniform(0, 0.5))
    alike = g.random()
    case = s.mat[MAT["case"]]
    if alike < 0.1:  # dark before dark
        _set(s, MAT["wall"], g.uniform(0.01, 0.06) * (1 + g.uniform(-0.2, 0.2, 3)), 0, 0.9, 1, g.uniform(0, 0.5))
    elif alike < 0.2:  # the background has the case's colour
        same = np.array([case.r, case.g, case.b]) * g.uniform(0.7, 1.4) * (0.5 if case.metal > 0.5 else 1.0)
        _set(s, MAT["wall"], np.clip(same, 0, 0.9), 0, 0.9, 1, g.uniform(0, 0.3))
    if g.random() < 0.35:
        s.insertz = float(g.choice([-0.6, -3.0, -8.0]))
        metal = g.random() < 0.4
        _set(s, MAT["floor"], pick(METAL if metal else PLASTIC), float(metal), g.uniform(0.1, 0.6))
    else:
        s.insertz = -1e6
    _set(s, MAT["spring"], pick(METAL), 1, g.uniform(0.05, 0.4))
    _set(
        s,
        MAT["nut"],
        (0.75, 0.57, 0.28) if g.random() < 0.6 else pick(PLASTIC),
        float(g.random() < 0.6),
        g.uniform(0.1, 0.5),
    )
    _set(s, MAT["foot"], np.full(3, g.uniform(0.02, 0.3)), 0, 0.4)
    for k in range(10, 18):
        metal = g.random() < 0.25
        _set(
            s, k, pick(METAL) if metal else np.clip(g.uniform(0.02, 0.8, 3), 0, 0.9), float(metal), g.uniform(0.1, 0.7)
        )


def _round(x: float, z: float, radius: float, rounded: bool) -> list[tuple[float, float]]:
    """Points between the top and the side of an edge round (x, z); none for a plain bevel."""
    turns = (22.5, 45.0, 67.5) if rounded else ()
    return [(x + radius * math.sin(math.radians(a)), z + radius * math.cos(math.radians(a))) for a in turns]


def _case(s: Scene, g: np.random.Generator) -> None:
    r = _mostly(g, 0.8, (26, 35), (24.5, 36.5))
    wall, depth = _mostly(g, 0.8, (1.5, 3.4), (1.2, 4.5)), g.uniform(15, 28)
    lip = g.uniform(0.8, 2.6) if g.random() < 0.5 else 0.0
    lip_h = g.uniform(1.8, 4.5)
    co, ci = (min(_mostly(g, 0.8, (0.12, 0.5), (0.05, 0.9)), 0.38 * wall) for _ in range(2))
    rb = r - lip  # body radius
    groove = g.uniform(0.3, 0.8) if g.random() < 0.6 else 0.0
    rounded = g.random() < 0.5
    p = [(r - co, 0.0), *_round(r - co, -co, co, rounded), (r, -co), (r, -lip_h)]
    if lip:
        p += [(rb, -lip_h - g.uniform(0.0, 1.5))]
    elif groove:
        p += [(r - groove, -lip_h - 0.2), (r - groove, -lip_h - g.uniform(0.6, 1.2)), (r, -lip_h - 1.4)]
    zb = -depth - 4
    rs = g.uniform(0.45, 0.75) * rb
    p += [(rb, zb + depth * g.uniform(0.3, 0.5)), (rb - 2, zb + depth * 0.12), (rs, zb), (0, zb)]
    ri = rb - wall
    taper = g.uniform(0, 0.6)
    p += [(0, -depth), (ri - taper - 2, -depth), (ri - taper, -depth + 2), (ri, -ci)]
    p += [(2 * (ri + ci) - a, b) for a, b in _round(ri + ci, -ci, ci, rounded)[::-1]] + [(ri + ci, 0.0)]
    s.nprof = len(p)
    assert s.nprof <= 24
    for k, (a, b) in enumerate(p):
        s.prof[k][0], s.prof[k][1] = a, b
    s.rout, s.ztop, s.rin, s.zfloor = r, 0.0, ri + ci + 0.05, -depth
    stand = g.uniform(12, 22)
    s.bench_z = zb - stand
    q = [
        (rs * 0.95, zb + 1),
        (rs * g.uniform(0.6, 0.95), zb - stand * 0.6),
        (rs * g.uniform(0.9, 1.3), zb - stand * 0.8),
        (rs * g.uniform(1.0, 1.3), zb - stand),
        (0, zb - stand),
        (0, zb + 1),
    ]
    s.nstand = len(q)
    for k, (a, b) in enumerate(q):
        s.stand[k][0], s.stand[k][1] = a, b
    if g.random() < 0.4:
        s.ribs, s.ribdepth = int(g.integers(24, 90)), g.uniform(0.2, 0.7)
        s.ribz1 = -lip_h - g.uniform(1.0, 3)
        s.ribz0 = s.ribz1 - g.uniform(5, 10)
        s.ribr = rb


def _mostly(g: np.random.Generator, share: float, usual: tuple[float, float], wide: tuple[float, float]) -> float:
    """Uniform within ``usual`` that often, else within ``wide``."""
    return float(g.uniform(*(usual if g.random() < share else wide)))


def _bent(kind: str, g: np.random.Generator, rise: float, top: float) -> list[tuple[float, float]]:
    """The lever's middle line from where its rise ends: the last point lies at 0, the highest at ``top``."""
    if kind == "plain":
        return [(0.0, top)]
    pieces = 3 if kind == "curl" else 1
    first = rise if kind == "curl" else math.radians(g.uniform(-35, 25))
    end = math.radians(g.uniform(-100, 20)) if kind == "curl" else first
    step = g.uniform(0.7, 1.8) if kind == "curl" else g.uniform(1.6, 4.5)
    pts = [(0.0, 0.0)]
    for k in range(pieces):
        a = first + (end - first) * (k + 1) / pieces
        pts.append((pts[-1][0] + step * math.cos(a), pts[-1][1] + step * math.sin(a)))
    high = max(z for _, z in pts)
    return [(x - pts[-1][0], z - high + top) for x, z in pts]


def _lever(s: Scene, g: np.random.Generator) -> dict[str, float | str]:
    kind = str(g.choice(["plain", "crown", "curl", "rod", "roll", "knob"], p=[0.31, 0.35, 0.12, 0.07, 0.07, 0.08]))
    reaches = [(-1.5, 5.0), (0.0, 2.0), (-0.6, 0.6), (4.0, 6.2)]
    h = g.uniform(*reaches[int(g.choice(4, p=[0.6, 0.2, 0.12, 0.08]))])
    x, y = g.uniform(-6, 6), g.uniform(-6, 6)
    rise = math.radians(g.uniform(38, 85))
    depth = -s.zfloor
    arm = -g.uniform(0.35, 0.75) * depth
    length = g.uniform(15, 22)
    az = float(g.choice([90, -90, 0, 180]) + g.normal(0, 11) if g.random() < 0.7 else g.uniform(0, 360))
    ux, uy = math.cos(math.radians(az)), math.sin(math.radians(az))
    reach = s.rin - 4.5  # the root stays inside the case
    room = (ux * x + uy * y) + math.sqrt(max(reach**2 - (x * uy - y * ux) ** 2, 1.0))
    th = _mostly(g, 0.75, (0.7, 1.6), (0.5, 3.0))
    if kind == "rod":
        s.lrod, th = 1.0, g.uniform(1.0, 3.0)
    if kind == "roll":
        h = min(h, 3.2)
        s.lroll = g.choice([-1, 1]) * max(g.uniform(0.7, 2.2), 0.55 * th)
    if kind == "knob":
        s.lknob, s.lknobh = g.uniform(1.2, 3.6), g.uniform(0.4, 1.6)
        s.lknobr = min(s.lknob, s.lknobh) * g.choice([0.99, g.uniform(0.05, 0.95)])
    course = {"roll": "plain", "rod": str(g.choice(["plain", "crown", "curl"])), "knob": "crown"}.get(kind, kind)
    top = h - (2 * s.lknobh if kind == "knob" else th * 0.5 * (math.cos(rise) if course == "plain" else 1.0))
    bent = _bent(course, g, rise, top)
    run = (bent[0][1] - arm) / math.tan(rise)
    pts = [
        (max(-room, -length - run), arm + g.uniform(-2, 1)),
        (max(bent[0][0] - run, 2.5 - room), arm),
        *bent,
    ]
    s.nlev = len(pts)
    for k, (a, b) in enumerate(pts):
        s.lev[k][0], s.lev[k][1] = a, b
    s.lorg[:] = [x, y, 0.0]
    s.laz = math.radians(az)
    s.ltilt = math.radians(np.clip(g.normal(0, 3.0 if g.random() < 0.75 else 8.0), -16, 16))
    s.lwidth = 2 * th if kind == "rod" else _mostly(g, 0.6, (3.2, 7.0), (3.0, 9.0))
    s.lthick, s.ledge = th, min(g.uniform(0.05, 0.4), 0.45 * th)
    s.lcorner = g.choice([g.uniform(0.2, 1.5), 9.0])
    if g.random() < 0.12 and kind != "rod":
        s.lcamber = g.uniform(-0.25, 0.25) / s.lwidth
    if kind in ("rod", "roll", "knob"):
        pass
    elif g.random() < 0.18:
        s.lslotw, s.lslotd = s.lwidth * g.uniform(0.25, 0.45), g.uniform(1.2, 3.0)
    elif g.random() < 0.15:
        s.lhole = g.uniform(0.5, 0.9)
    s.lever_on = 1
    return {"h_drawn": h, "azimuth": float(az), "kind": kind}


def _interior(s: Scene, g: np.random.Generator) -> None:
    az = s.laz
    out: list[Prim] = []
    ux, uy = math.cos(az), math.sin(az)
    arm = s.lev[0][1]
    if g.random() < 0.75:  # a hub with a spring under the lever's root
        d = g.uniform(8, 15)
        px, py = s.lorg[0] - ux * d, s.lorg[1] - uy * d
        along = _rot(0) if g.random() < 0.3 else np.array([[-uy, ux, 0], [0, 0, 1], [ux, uy, 0]], float)
        rad = g.uniform(1.6, 3.2)
        z = min(arm + g.uniform(-3, 1.5), -rad - 2.0)
        out.append(
            _prim(5, MAT["spring"], (px, py, z), along, rad, g.uniform(3, 6), g.uniform(0.9, 1.8), g.uniform(0.2, 0.4))
        )
        out.append(_prim(1, MAT["nut"] if g.random() < 0.5 else MAT["foot"], (px, py, z), along, rad * 0.8, 8, 1, 0.3))
    if g.random() < 0.6:
        d = g.uniform(0, 8)
        out.append(
            _prim(
                3,
                MAT["nut"],
                (s.lorg[0] - ux * d + g.normal(0, 2), s.lorg[1] - uy * d + g.normal(0, 2), s.zfloor + g.uniform(4, 9)),
                _rot(g.uniform(0, 360), g.choice([0, 90]), 0),
                g.uniform(2, 3.6),
                g.uniform(1.5, 4),
            )
        )
    for _ in range(int(g.integers(0, 4))):
        rr, a = g.uniform(5, s.rin - 5), g.uniform(0, 6.28)
        out.append(
            _prim(
                int(g.choice([1, 4, 0])),
                int(g.integers(7, 12)),
                (rr * math.cos(a), rr * math.sin(a), s.zfloor + g.uniform(-1, 3)),
                _rot(g.uniform(0, 360)),
                g.uniform(1.5, 5),
                g.uniform(1, 4),
                g.uniform(1, 4),
                0.4,
            )
        )
    s.ninner = min(len(out), 16)
    for k, q in enumerate(out[:16]):
        s.inner[k] = q


def _outer(s: Scene, g: np.random.Generator, clutter: bool) -> list[Prim]:
    out: list[Prim] = []
    for _ in range(int(g.choice(3, p=[0.6, 0.25, 0.15]))):  # bosses at the case's side
        a, wide = g.uniform(0, 2 * math.pi), g.uniform(2, 5)
        ux, uy = math.cos(a), math.sin(a)
        away = s.rout - g.uniform(0.5, 3)
        place = (away * ux, away * uy, -wide - g.uniform(5, 10))
        along = np.array([[-uy, ux, 0], [0, 0, 1], [ux, uy, 0]], float)
        out.append(_prim(1, MAT["case"], place, along, wide, g.uniform(1.5, 8), 1.0, 0.4))
    if not clutter:
        return out
    for _ in range(int(g.integers(0, 7))):
        kind = int(g.choice([0, 1, 1, 2, 4]))
        hz = g.uniform(4, 35)
        y = g.uniform(45, 200)
        rot = _rot(g.uniform(0, 360))
        b, c = (hz, g.uniform(4, 20)) if kind in (1, 2) else (g.uniform(4, 20), hz)
        out.append(
            _prim(
                kind,
                int(g.integers(10, 18)),
                (g.uniform(-110, 110), y, s.bench_z + hz),
                rot,
                g.uniform(3, 18),
                b,
                c,
                1.0,
            )
        )
    for _ in range(int(g.integers(0, 2))):  # hoses lying behind
        rot = _rot(g.uniform(-30, 30), 90) @ _rot(90)
        a = g.uniform(2, 5)
        rot = np.array([[0, 0, 1], [0, 1, 0], [1, 0, 0]], float) @ _rot(g.uniform(-25, 25))
        out.append(
            _prim(
                2,
                int(g.integers(10, 18)),
                (g.uniform(-80, 80), g.uniform(45, 130), s.bench_z + a),
                rot,
                a,
                g.uniform(30, 90),
            )
        )
    if g.random() < 0.06:  # something stands on the rim
        a = g.uniform(0.3, math.pi - 0.3)
        out.append(
            _prim(
                0, 10, (25 * math.cos(a), 25 * math.sin(a), 10.02), _rot(g.uniform(-20, 20)), g.uniform(3, 9), 0.4, 10
            )
        )
    if g.random() < 0.15:  # a cable in front or across
        side = g.choice([-1, 1])
        rot = _rot(0, g.uniform(-20, 20), g.uniform(-35, 35))
        out.append(
            _prim(
                2,
                int(g.integers(10, 14)),
                (side * g.uniform(20, 60), g.uniform(-45, 30), 10),
                rot,
                g.uniform(1.5, 3),
                45,
            )
        )
    return out


def _grid(dictionary: Any, n: int, ident: int) -> list[int]:
    import cv2

    img = cv2.aruco.generateImageMarker(dictionary, ident, n + 2, borderBits=1)
    cells = (img[1:-1, 1:-1] > 127).ravel()
    bits = [0, 0]
    for k, on in enumerate(cells):
        if on:
            bits[k >> 5] |= 1 << (k & 31)
    return bits


def _card(d: Drawn, g: np.random.Generator, layout: str) -> None:
    import cv2

    s = d.scene
    names = [("DICT_4X4_50", 4), ("DICT_5X5_50", 5), ("DICT_6X6_50", 6), ("DICT_APRILTAG_36h11", 6)]
    name, n = names[int(g.choice([0, 0, 0, 1, 2, 3]))]
    dic = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))
    d.notes["dictionary"], d.layout = name, layout
    size = g.uniform(14, 24)
    gap, z0 = g.uniform(2, 8), g.uniform(-6, 6)
    ids = [int(v) for v in g.choice(50, 6, replace=False)]
    spots: list[tuple[float, float]] = []
    edge = s.rout + gap
    if layout in ("single", "pair", "arch"):
        left, right = -edge - size * 1.25, edge + size * 0.25
        sides = [left, right] if layout != "single" else [g.choice([left, right])]
        spots = [(x, z0 + size / 2) for x in sides]
        if layout == "arch":
            spots += [(x, z0 + size / 2 + size * 1.4) for x in sides]
    rects: list[Rect] = []

    def add(x: float, z: float, sz: float, cells: int, bits: list[int]) -> None:
        r = Rect()
        r.x, r.z, r.size, r.n = x, z, sz, cells
        r.bits[:] = bits
        rects.append(r)

    if layout == "standing":  # a card across the case that stands on its rim, behind the lever
        size = g.uniform(12, 16)
        spots = [(-size - 5, size + 9), (5, size + 9)]
    for (x, z), ident in zip(spots, ids, strict=False):
        add(x, z, size, n, _grid(dic, n, ident))
        d.markers[ident] = [[x, z], [x + size, z], [x + size, z - size], [x, z - size]]
    if layout == "charuco":
        nx, nz, sq = 4, 5, g.uniform(5.5, 8)
        m = sq * 0.73
        x0 = edge + 3 if g.random() < 0.5 else -edge - 3 - nx * sq
        zt, k = z0 + nz * sq / 2, 0
        for row in range(nz):
            for col in range(nx):
                x, z = x0 + col * sq, zt - row * sq
                if (row + col) % 2 == (1 if nz % 2 == 0 else 0):
                    add(x, z, sq, 0, [0, 0])
                else:
                    o = (sq - m) / 2
                    add(x + o, z - o, m, n, _grid(dic, n, k))
                    d.markers[k] = [[x + o, z - o], [x + o + m, z - o], [x + o + m, z - o - m], [x + o, z - o - m]]
                    k += 1
        d.charuco = {"squares": [nx, nz], "square_mm": sq, "marker_mm": m, "origin_mm": [x0, zt]}
        spots, size = [(x0, zt)], nx * sq
    s.nrect = len(rects)
    for i, r in enumerate(rects):
        s.rect[i] = r
    rot = _rot(math.degrees(s.cyaw), math.degrees(s.clean))
    boards = sorted({round(x, 4) for x, _ in spots})
    top = max((z for _, z in spots), default=0) + size * 0.2
    low = s.bench_z
    if layout == "standing":
        half = math.sqrt(s.rout**2 - s.card[1] ** 2) + 2
        c = np.array([0, 0.25, top / 2])
        s.outer[s.nouter] = _prim(0, MAT["card"], np.array(s.card[:]) + rot.T @ c, rot, half, 0.25, top / 2, 0.02)
        s.nouter += 1
        boards = []
    for x in boards:
        half = size / 2 + size * 0.22
        c = np.array([x + size / 2, 0.25, (top + low) / 2])
        s.outer[s.nouter] = _prim(
            0, MAT["card"], np.array(s.card[:]) + rot.T @ c, rot, half, 0.25, (top - low) / 2, 0.02
        )
        s.outer[s.nouter + 1] = _prim(
            0,
            MAT["foot"],
            np.array(s.card[:]) + rot.T @ np.array([x + size / 2, -1, low + 4]),
            rot,
            half * 0.8,
            4,
            4,
            0.6,
        )
        s.nouter += 2
    if layout == "arch":
        lo = min(z for _, z in spots[2:]) - size - 1.5
        s.outer[s.nouter] = _prim(
            0,
            MAT["card"],
            np.array(s.card[:]) + rot.T @ np.array([0, 0.25, (top + lo) / 2 + 0.5]),
            rot,
            edge + size,
            0.25,
            (top - lo) / 2,
            0.02,
        )
        s.nouter += 1


def _light(s: Scene, g: np.random.Generator) -> None:
    base = g.uniform(0.25, 0.9)
    kind = g.random()
    if kind < 0.08:  # lamps alone
        base = g.uniform(0.01, 0.1)
    elif kind < 0.16:  # light from all round
        base = g.uniform(0.9, 1.6)
    s.sky[:] = [float(v) for v in base * (1 + g.uniform(-0.1, 0.1, 3))]
    s.ground[:] = [float(v) for v in base * g.uniform(0.2, 0.8) * (1 + g.uniform(-0.1, 0.1, 3))]
    s.envseed, s.envamp = g.uniform(0, 50), g.uniform(0, 0.9) if g.random() < 0.8 else 0.0
    s.nlight = int(g.integers(1, 4))
    small = g.random() < 0.25  # hard shadows
    for k in range(s.nlight):
        az, el = math.radians(g.uniform(0, 360)), math.radians(g.uniform(20, 80))
        half = math.radians(g.uniform(1.5, 5) if small else g.uniform(6, 25))
        li = s.light[k]
        li.dir[:] = [math.cos(el) * math.cos(az), math.cos(el) * math.sin(az), math.sin(el)]
        li.cosa = math.cos(half)
        power = g.uniform(0.2, 1.0) / (s.nlight * 2 * (1 - li.cosa))
        li.rgb[:] = [float(v) for v in power * (1 + g.uniform(-0.12, 0.12, 3))]


def _plain(s: Scene, g: np.random.Generator) -> None:
    """Even colours under plain light: no textures, no mirrors, lamps that are points."""
    s.quick = 2
    s.shadow = float(g.choice([0.0, g.uniform(0.3, 1.0)]))
    s.gloss = float(g.choice([0.0, g.uniform(0.1, 0.8)]))
    s.hollow = float(g.choice([0.0, g.uniform(0.3, 1.0)]))
    s.nlight = int(g.choice(3, p=[0.12, 0.58, 0.3]))
    even = g.random() < 0.7
    for m in s.mat:
        if even:
            m.tex = 0.0
    if g.random() < 0.3:
        s.wall_y = 5000.0
    if g.random() < 0.5:  # any colour
        c = s.mat[MAT["case"]]
        c.r, c.g, c.b = (float(v) for v in g.uniform(0.01, 0.9) * g.uniform(0.15, 1.0, 3))
    if g.random() < 0.3:
        c = s.mat[MAT["lever"]]
        c.r, c.g, c.b = (float(v) for v in g.uniform(0.02, 0.95) * g.uniform(0.4, 1.0, 3))


_LEVEL_DEG = 1.5
"""A camera within this of the rim's plane stands level with it."""


def _camera(s: Scene, g: np.random.Generator, width: int, height: int, hard: float, level: float) -> dict[str, float]:
    el = g.uniform(-2, 9) if g.random() > hard else g.uniform(-2, 16)
    if g.random() < 0.4:
        el = g.uniform(2, 11)
    yaw = g.uniform(-6, 6) if g.random() > hard else g.uniform(-15, 15)
    roll, dist = g.normal(0, 2 if g.random() < 0.92 else 6), _mostly(g, 0.7, (115, 310), (150, 500))
    aim = np.array([g.normal(0, 3), 0, g.uniform(-10, 0)])
    if level and g.random() < level:
        el = g.uniform(-_LEVEL_DEG, _LEVEL_DEG) - math.degrees(math.asin(aim[2] / dist))
    e, a = math.radians(el), math.radians(yaw)
    c = aim + dist * np.array([math.sin(a) * math.cos(e), -math.cos(a) * math.cos(e), math.sin(e)])
    f = (aim - c) / np.linalg.norm(aim - c)
    r = np.cross(f, [0, 0, 1])
    r /= np.linalg.norm(r)
    dn = np.cross(f, r)
    q = math.radians(roll)
    rot = np.array([math.cos(q) * r + math.sin(q) * dn, -math.sin(q) * r + math.cos(q) * dn, f])
    s.cam[:] = [float(v) for v in c]
    s.rot[:] = [float(v) for v in rot.ravel()]
    span = _mostly(g, 0.7, (130, 165), (120, 220))
    s.fx = s.fy = width * dist / span
    s.cx, s.cy = (width - 1) / 2, (height - 1) / 2
    s.width, s.height = width, height
    if g.random() < hard:
        s.k1, s.k2 = g.uniform(-0.17, 0.07), g.uniform(-0.02, 0.05)
        s.cx += g.uniform(-10, 10)
        s.cy += g.uniform(-10, 10)
        s.aperture, s.focus = g.uniform(0.2, 2.2), dist + g.uniform(-8, 8)
        if g.random() < 0.25:
            s.motion[:] = [g.uniform(-3, 3), g.uniform(-3, 3)]
    return {"elevation": el, "yaw": yaw, "roll": roll, "distance": dist}


def draw(
    seed: int,
    *,
    hard: float = 0.6,
    size: tuple[int, int] = (1280, 960),
    layout: str | None = None,
    level: float = 0.0,
) -> Drawn:
    """One scene at random. ``hard`` 0..1: share of pictures with distortion, defocus, clutter, oblique views;
    ``level``: of those whose camera stands level with the rim."""
    g = np.random.default_rng(seed)
    s = Scene()
    d = Drawn(s)
    s.seed = int(g.integers(1 << 31))
    _materials(s, g)
    _case(s, g)
    d.rim_diameter = 2 * s.rout
    d.notes |= {"outline_radius": s.prof[0][0], "inner_radius": s.prof[s.nprof - 1][0]}
    d.notes |= _lever(s, g)
    _interior(s, g)
    _light(s, g)
    s.wall_y = g.uniform(120, 420)
    shaded = g.random()
    if shaded < 0.28:
        _plain(s, g)
    elif shaded < 0.48:
        s.quick = 1
    is_hard = g.random() < hard
    for k, q in enumerate(_outer(s, g, is_hard or g.random() < 0.5)[:14]):
        s.outer[k] = q
        s.nouter = k + 1
    offset = g.uniform(-7, 9) if is_hard else g.uniform(-1, 1)
    s.card[:] = [g.normal(0, 1.0), s.lorg[1] + offset, 0.0]
    if layout == "standing":
        s.card[:] = [0.0, g.uniform(13, 18), 0.0]
    if is_hard and g.random() < 0.5:
        s.cyaw, s.clean = math.radians(g.normal(0, 2)), math.radians(g.normal(0, 0.7))
    _card(d, g, layout or str(g.choice(["single", "pair", "pair", "arch", "charuco"])))
    s.top = max(
        [8.0] + [s.outer[k].p[2] + 1.8 * max(s.outer[k].a, s.outer[k].b, s.outer[k].c) for k in range(s.nouter)]
    )
    d.notes |= _camera(s, g, size[0], size[1], 1.0 if is_hard else 0.0, level)
    d.notes |= {"hard": is_hard, "gap_to_lever_origin": offset}
    return d


class Tracer:
    """The compiled ``tracer.cu``; ``library`` is the shared object."""

    def __init__(self, library: Path) -> None:
        self._lib = ctypes.CDLL(str(library))
        if self._lib.scene_size() != ctypes.sizeof(Scene):
            raise RuntimeError(f"{library}: compiled for another scene layout, compile tracer.cu again")

    def render(self, scene: Scene) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Linear RGB (H, W, 3) float32, class of every pixel (H, W) uint8, world position (H, W, 3) float32."""
        h, w = scene.height, scene.width
        rgb, label, pos = np.zeros((h, w, 3), np.float32), np.zeros((h, w), np.uint8), np.zeros((h, w, 3), np.float32)
        self._render(scene, None, rgb, label, pos)
        return rgb, label, pos

    def colours(self, scene: Scene, rays: np.ndarray) -> np.ndarray:
        """Linear RGB (H, W, 3) float32 from so many ``rays`` (H, W) uint8 for each pixel; 0 where there are none."""
        rgb = np.zeros((scene.height, scene.width, 3), np.float32)
        self._render(scene, np.ascontiguousarray(rays, np.uint8), rgb, None, None)
        return rgb

    def _render(self, scene: Scene, *arrays: np.ndarray | None) -> None:
        ptr = [None if a is None else a.ctypes.data_as(ctypes.c_void_p) for a in arrays]
        if self._lib.render(ctypes.byref(scene), *ptr):
            raise RuntimeError("the tracer failed")

    def highest(self, scene: Scene, step: float = 0.02) -> tuple[float, float, float]:
        """Highest point of the lever (x, y, z): looked at straight down on a grid of ``step`` mm."""
        s = type(scene).from_buffer_copy(scene)
        s.mode, s.spp, s.mmpp = 2, 0, step
        s.nouter = 0
        n = int(18 / step)
        s.width = s.height = n
        s.px0, s.pz0 = s.lorg[0] - 9, s.lorg[1] - 9
        _, label, pos = self.render(s)
        z = np.where(label == 4, pos[..., 2], -999)
        top = float(z.max())
        pts = pos[z > top - 0.002]
        return float(pts[:, 0].mean()), float(pts[:, 1].mean()), top
