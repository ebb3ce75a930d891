"""A plain geometric renderer for tests: a known case, lever and card, projected with OpenCV, filled, blurred, noisy.

World: origin in the rim circle's centre, x right, y away from the camera, z up, mm. Pixel centres are at whole
numbers. The truth is exact, the shading is not meant to be real.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np

from vision.edges import coded, light

SS = 3  # samples a pixel and axis
SHIFT = 5


@dataclass(frozen=True)
class World:
    """What is photographed, how, and with which lens."""

    radius: float = 30.5
    wall: float = 2.4
    edge_break: float = 0.3
    depth: float = 20.0
    height: float = 2.0
    tip_x: float = 2.0
    tip_y: float = 1.0
    lever_width: float = 5.0
    lever_thick: float = 1.0
    lever_turn_deg: float = 0.0
    lever_tilt_deg: float = 0.0
    lever: bool = True
    offset: float = 0.0
    layout: str = "pair"
    marker: float = 18.0
    card_z: float = 4.0
    ids: tuple[int, ...] = (7, 23, 31, 42)
    dictionary: str = "DICT_4X4_50"
    card_lean_deg: float = 0.0
    card_yaw_deg: float = 0.0
    elevation: float = 5.0
    yaw: float = 2.0
    roll: float = 1.0
    distance: float = 200.0
    size: tuple[int, int] = (1280, 960)
    span: float = 150.0
    distortion: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, 0.0)
    blur: float = 0.7
    noise: float = 1.5
    seed: int = 0
    case: tuple[int, int, int] = (60, 90, 150)
    metal: tuple[int, int, int] = (240, 240, 236)
    back: tuple[int, int, int] = (170, 172, 168)
    rays: dict[str, Any] = field(default_factory=dict)

    @property
    def focal(self) -> float:
        return self.size[0] * self.distance / self.span

    @property
    def matrix(self) -> np.ndarray:
        return np.array([[self.focal, 0, (self.size[0] - 1) / 2], [0, self.focal, (self.size[1] - 1) / 2], [0, 0, 1]])

    def camera(self) -> tuple[np.ndarray, np.ndarray]:
        """Rotation vector and translation, world to camera."""
        e, a, q = np.radians([self.elevation, self.yaw, self.roll])
        aim = np.array([0, 0, -4.0])
        c = aim + self.distance * np.array([np.sin(a) * np.cos(e), -np.cos(a) * np.cos(e), np.sin(e)])
        f = (aim - c) / np.linalg.norm(aim - c)
        r = np.cross(f, [0, 0, 1])
        r /= np.linalg.norm(r)
        d = np.cross(f, r)
        rot = np.stack([np.cos(q) * r + np.sin(q) * d, -np.sin(q) * r + np.cos(q) * d, f])
        return cv2.Rodrigues(rot)[0].ravel(), -rot @ c

    def project(self, points: np.ndarray) -> np.ndarray:
        rvec, tvec = self.camera()
        return cv2.projectPoints(
            np.asarray(points, np.float64).reshape(-1, 3), rvec, tvec, self.matrix, np.array(self.distortion)
        )[0].reshape(-1, 2)

    def card_to_world(self, xz: np.ndarray, y: float = 0.0) -> np.ndarray:
        lean, yaw = np.radians([self.card_lean_deg, self.card_yaw_deg])
        p = np.stack([xz[:, 0], np.full(len(xz), y), xz[:, 1]], 1)
        p = p @ np.array([[1, 0, 0], [0, np.cos(lean), -np.sin(lean)], [0, np.sin(lean), np.cos(lean)]]).T
        p = p @ np.array([[np.cos(yaw), -np.sin(yaw), 0], [np.sin(yaw), np.cos(yaw), 0], [0, 0, 1]]).T
        return p + np.array([0, self.tip_y + self.offset, 0])

    def markers(self) -> dict[int, np.ndarray]:
        """id -> corners (4, 2) on the card, mm."""
        m, gap = self.marker, self.radius + 5
        left, right = -gap - m, gap
        xs = {"pair": [left, right], "single": [right], "arch": [left, right, left, right]}[self.layout]
        out = {}
        for k, x in enumerate(xs):
            z = self.card_z + m / 2 + (m * 1.35 if k > 1 else 0)
            out[self.ids[k]] = np.array([[x, z], [x + m, z], [x + m, z - m], [x, z - m]])
        return out

    def lever_corners(self) -> np.ndarray:
        """Eight corners (8, 3) of the lever's upper 12 mm: a plate; its highest point has exactly ``height``."""
        w, t = self.lever_width / 2, self.lever_thick / 2
        a, b = np.radians([self.lever_turn_deg, self.lever_tilt_deg])
        p = np.array([[x, y, z] for z in (0, -12.0) for y in (-t, t) for x in (-w, w)])
        p = p @ np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]]).T
        p = p @ np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]]).T
        top = p[:4]
        high = top[top[:, 2] > top[:, 2].max() - 1e-9].mean(0)
        return p - high + [self.tip_x, self.tip_y, self.height]


def _shrunk(p: np.ndarray, by: float) -> np.ndarray:
    """A closed polygon (N, 2) with every side moved inwards by ``by``."""
    keep = np.linalg.norm(p - np.roll(p, 1, 0), axis=1) > 1e-6
    p = p[keep]
    e = np.roll(p, -1, 0) - p
    e /= np.linalg.norm(e, axis=1, keepdims=True)
    area = np.sum(p[:, 0] * np.roll(p[:, 1], -1) - np.roll(p[:, 0], -1) * p[:, 1])
    n = np.stack([-e[:, 1], e[:, 0]], 1) * np.sign(area)
    a, b = np.roll(n, 1, 0), n
    return p + by * (a + b) / np.maximum(1 + np.sum(a * b, 1, keepdims=True), 0.3)


class _Canvas:
    def __init__(self, world: World) -> None:
        self.w = world
        h, wd = world.size[1] * SS, world.size[0] * SS
        rng = np.random.default_rng(world.seed + 99)
        tex = cv2.resize(rng.normal(0, 6, (9, 12, 1)).astype(np.float32), (wd, h), interpolation=cv2.INTER_CUBIC)
        self.img = np.clip(np.array(world.back, np.float32) + tex[..., None], 0, 255)

    def fill(self, px: np.ndarray, colour: Any) -> None:
        # cv2 fills every sample that the outline touches: drawn half a sample smaller, areas come out right
        q = _shrunk((px + 0.5) * SS - 0.5, 0.5) * (1 << SHIFT)
        cv2.fillPoly(
            self.img, [np.round(q).astype(np.int32)], [float(c) for c in colour], lineType=cv2.LINE_8, shift=SHIFT
        )

    def keep(self) -> None:
        """Remember the picture as it is."""
        self.kept = self.img.copy()

    def restore(self, px: np.ndarray, *, outside: bool = False) -> None:
        """Bring back what was remembered inside (or outside) a polygon."""
        mask = np.zeros(self.img.shape[:2], np.uint8)
        cv2.fillPoly(
            mask, [np.round(_shrunk((px + 0.5) * SS - 0.5, 0.5) * (1 << SHIFT)).astype(np.int32)], 1, shift=SHIFT
        )
        where = (mask > 0) != outside
        self.img[where] = self.kept[where]

    def hull(self, pts: np.ndarray, colour: Any) -> None:
        px = self.w.project(pts)
        self.fill(cv2.convexHull(px.astype(np.float32))[:, 0].astype(np.float64), colour)

    def poly(self, pts: np.ndarray, colour: Any) -> None:
        self.fill(self.w.project(pts), colour)


def _ring(r: float, z: float, angles: np.ndarray) -> np.ndarray:
    return np.stack([r * np.cos(angles), r * np.sin(angles), np.full(len(angles), z)], 1)


_ALL = np.linspace(0, 2 * np.pi, 361)


def _cards(c: _Canvas) -> None:
    w = c.w
    boards: dict[float, list[np.ndarray]] = {}
    for q in w.markers().values():
        boards.setdefault(round(float(q[0, 0]), 3), []).append(q)
    for qs in boards.values():
        a = np.concatenate(qs)
        lo, hi = a.min(0) - 3, a.max(0) + 3
        lo[1] = -35
        edge = np.array([[lo[0], hi[1]], [hi[0], hi[1]], [hi[0], lo[1]], [lo[0], lo[1]]])
        c.poly(w.card_to_world(edge), (225, 225, 222))
    dic = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, w.dictionary))
    n = dic.markerSize + 2
    for ident, q in w.markers().items():
        cells = cv2.aruco.generateImageMarker(dic, ident, n)
        c.poly(w.card_to_world(_grid(q, 0, 0, n, n, n)), (35, 35, 36))
        for r in range(n):
            for k in range(n):
                if cells[r, k] > 127:
                    c.poly(w.card_to_world(_grid(q, k, r, k + 1, r + 1, n)), (225, 225, 222))


def _grid(q: np.ndarray, x0: int, y0: int, x1: int, y1: int, n: int) -> np.ndarray:
    s = (q[1, 0] - q[0, 0]) / n
    return np.array([[q[0, 0] + s * x, q[0, 1] - s * y] for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))])


def _case(c: _Canvas, front: bool) -> None:
    w = c.w
    r, e = w.radius, w.edge_break
    base = np.array(w.case, float)
    rvec, tvec = w.camera()
    eye = -cv2.Rodrigues(rvec)[0].T @ tvec
    phi = np.arctan2(eye[1], eye[0])
    half = np.linspace(phi - np.pi / 2, phi + np.pi / 2, 181)
    over = eye[2] > 0
    inner = r - w.wall
    if front and over:  # what stands before the lever is the picture without it, below the near inner edge
        near = w.project(_ring(inner, 0, half))
        low = w.project(_ring(r * 0.5, -w.depth, half))
        c.restore(np.concatenate([near, low[::-1]]))
        return
    c.hull(np.concatenate([_ring(r, -e, _ALL), _ring(r, -8, _ALL), _ring(r * 0.7, -w.depth, _ALL)]), base * 0.8)
    c.hull(np.concatenate([_ring(r, -e, _ALL), _ring(r - e, 0, _ALL)]), base * 1.15)
    if over:
        c.poly(_ring(r - e, 0, _ALL), base * 1.35)
        c.poly(_ring(inner, 0, _ALL), base * 0.75)
        c.keep()
        c.poly(_ring(inner, -1.5, _ALL), base * 0.6)
        c.restore(w.project(_ring(inner, 0, _ALL)), outside=True)


def _lever(c: _Canvas) -> None:
    p = c.w.lever_corners()
    m = np.array(c.w.metal, float)
    c.hull(p, m * 0.75)
    rvec, tvec = c.w.camera()
    eye = -cv2.Rodrigues(rvec)[0].T @ tvec
    if eye[2] > c.w.height:
        c.poly(p[[0, 1, 3, 2]], m)
    near = (
        p[[0, 1, 5, 4]]
        if np.linalg.norm(p[0] + p[1] - 2 * eye) < np.linalg.norm(p[2] + p[3] - 2 * eye)
        else p[[2, 3, 7, 6]]
    )
    c.poly(near, m * 0.85)


def render(world: World) -> np.ndarray:
    """The picture (H, W, 3) uint8, RGB."""
    c = _Canvas(world)
    _cards(c)
    _case(c, front=False)
    c.keep()
    if world.lever:
        _lever(c)
    _case(c, front=True)
    h, w = world.size[1], world.size[0]
    # pixels and lenses gather light, not a picture's values
    shone = light(np.arange(256)).astype(np.float32)[np.clip(c.img + 0.5, 0, 255).astype(np.uint8)]
    img = shone.reshape(h, SS, w, SS, 3).mean((1, 3))
    if world.blur > 0:
        img = cv2.GaussianBlur(img, (0, 0), world.blur)
    img = coded(img)
    rng = np.random.default_rng(world.seed)
    return np.clip(img + rng.normal(0, world.noise, img.shape) + 0.5, 0, 255).astype(np.uint8)


def setup_table(world: World, **target: Any) -> dict[str, Any]:
    """The setup that belongs to a world, as nested tables."""
    return {
        "camera": {
            "image_size_px": list(world.size),
            "matrix": world.matrix.tolist(),
            "distortion": list(world.distortion),
        },
        "target": {
            "dictionary": world.dictionary,
            "depth_offset_mm": world.offset,
            "print_scale_u": 0.001,
            "markers": [{"id": k, "corners_mm": v.tolist()} for k, v in world.markers().items()],
            **target,
        },
        "geometry": {"rim_diameter_mm": 2 * world.radius, "edge_break_mm": world.edge_break},
    }


def drawn(seed: int, hard: bool = True) -> World:
    """A world at random."""
    g = np.random.default_rng(seed)
    u = g.uniform
    dark = u(0.3, 1.2)
    case = tuple(
        int(v)
        for v in np.clip(
            np.array([(40, 42, 45), (60, 90, 150), (190, 90, 40), (110, 112, 115)][g.integers(4)]) * dark, 15, 200
        )
    )
    return replace(
        World(),
        radius=u(27, 34),
        wall=u(2, 3.5),
        edge_break=u(0.2, 0.4),
        height=u(-1.0, 4.5),
        tip_x=u(-5, 5),
        tip_y=u(-5, 5),
        lever_width=u(4, 6),
        lever_thick=u(0.8, 1.3),
        lever_turn_deg=u(-12, 12),
        lever_tilt_deg=u(-4, 4),
        offset=u(-6, 7) if hard else u(-1, 1),
        layout=str(g.choice(["pair", "single", "arch"])),
        marker=u(15, 22),
        card_z=u(-4, 6),
        card_yaw_deg=g.normal(0, 1.5) if hard else 0.0,
        card_lean_deg=g.normal(0, 0.5) if hard else 0.0,
        elevation=u(-1, 13) if hard else u(0, 8),
        yaw=u(-12, 12),
        roll=u(-4, 4),
        distance=u(130, 280),
        span=u(140, 165),
        distortion=(u(-0.15, 0.05), u(-0.02, 0.04), 0.0, 0.0, 0.0) if hard else (0.0,) * 5,
        blur=u(0.6, 2.0) if hard else u(0.5, 0.9),
        noise=u(1, 5) if hard else 1.0,
        seed=seed,
        case=case,
        back=tuple(int(v) for v in u(120, 230) * (1 + u(-0.1, 0.1, 3))),
    )
