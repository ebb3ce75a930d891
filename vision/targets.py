"""Draws printable targets at true scale, as SVG and PDF, with a ruler to check the print, and the matching setup.

Measures in mm on the card: x right, z up, origin over the case's axis at the height of the rim. Everything is black
rectangles, thin cut lines and a few words, so both formats are written directly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from vision.errors import SetupError
from vision.model import Charuco

Layout = Literal["single", "pair", "arch", "charuco", "standing", "calibration"]
LAYOUTS: tuple[Layout, ...] = ("single", "pair", "arch", "charuco", "standing", "calibration")
PAGES = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}


@dataclass(frozen=True)
class Sheet:
    """A page (width, height mm): black rectangles (x, y, width, height; y down from the page's top), white ones over
    them, thin lines (x1, y1, x2, y2), words (x, y, size, text)."""

    size: tuple[float, float]
    black: tuple[tuple[float, float, float, float], ...]
    lines: tuple[tuple[float, float, float, float], ...]
    words: tuple[tuple[float, float, float, str], ...]
    setup: str


def draw(
    layout: Layout,
    *,
    rim_diameter_mm: float = 60.0,
    marker_mm: float = 20.0,
    dictionary: str = "DICT_4X4_50",
    first_id: int = 0,
    gap_mm: float = 6.0,
    page: str = "a4",
    side: Literal["left", "right"] = "right",
) -> Sheet:
    """Lay out one target.

    Args:
        layout: one marker beside the case, a pair on both sides, an arch of four, a chessboard with markers beside the
            case, a card that stands on the rim, or the board for calibrating a camera.
        rim_diameter_mm: the case's outermost diameter.
        marker_mm: a marker's side; of a chessboard the square's side is a third of it.
        dictionary: OpenCV's name of the marker dictionary.
        first_id: of the first marker.
        gap_mm: free space between case and card.
        page: ``a4`` or ``letter``; turned when the target is wide.
        side: where a single card stands.

    Raises:
        SetupError: it does not fit on the page, or the dictionary or page is not known.
    """
    from vision.setups import DICTIONARIES

    if dictionary not in DICTIONARIES:
        raise SetupError("target", [f"dictionary '{dictionary}' is not known; known are {', '.join(DICTIONARIES)}"])
    if page not in PAGES:
        raise SetupError("target", [f"page '{page}' is not known; known are {', '.join(PAGES)}"])
    maker = {
        "single": _single,
        "pair": _pair,
        "arch": _arch,
        "charuco": _charuco,
        "standing": _standing,
        "calibration": _calibration,
    }[layout]
    parts = maker(rim_diameter_mm / 2 + gap_mm, marker_mm, dictionary, first_id, side)
    return _compose(parts, layout, dictionary, PAGES[page])


@dataclass
class _Parts:
    markers: dict[int, tuple[float, float, float]]  # id -> left x, top z, side
    squares: list[tuple[float, float, float]]
    cuts: list[tuple[float, float, float, float]]  # closed outlines as left, top, right, bottom
    charuco: Charuco | None = None
    edge_z: float | None = None
    note: str = ""


def _single(clear: float, m: float, dictionary: str, first: int, side: str) -> _Parts:
    q = 0.25 * m
    x = clear + q if side == "right" else -clear - q - m
    return _Parts({first: (x, m / 2 + 2, m)}, [], [(x - q, m / 2 + 2 + q, x + m + q, -40.0)])


def _pair(clear: float, m: float, dictionary: str, first: int, side: str) -> _Parts:
    q = 0.25 * m
    left, top = -clear - q - m, m / 2 + 2
    marks = {first: (left, top, m), first + 1: (clear + q, top, m)}
    return _Parts(
        marks,
        [],
        [
            (left - q, top + q, -clear, -40.0),
            (clear, top + q, clear + m + 2 * q, -40.0),
            (left - q, -40.0, clear + m + 2 * q, -52.0),
        ],
        note="Cut out as one piece: both markers hang together by the strip below.",
    )


def _arch(clear: float, m: float, dictionary: str, first: int, side: str) -> _Parts:
    q = 0.25 * m
    left, right, top, step = -clear - q - m, clear + q, m / 2 - 2, 1.4 * m
    marks = {
        first: (left, top, m),
        first + 1: (right, top, m),
        first + 2: (left, top + step, m),
        first + 3: (right, top + step, m),
    }
    edge = clear + m + 2 * q
    return _Parts(
        marks,
        [],
        [(-edge, top + step + q, edge, -40.0), (-clear, top + step - m - 2, clear, -40.0)],
        note="Cut out the window; the case stands in it.",
    )


def _board(
    x0: float, z0: float, nx: int, nz: int, square: float, first: int
) -> tuple[dict[int, tuple[float, float, float]], list[tuple[float, float, float]]]:
    marks: dict[int, tuple[float, float, float]] = {}
    squares, o, ident = [], 0.14 * square, first
    for row in range(nz):
        for col in range(nx):
            x, z = x0 + col * square, z0 - row * square
            if (row + col) % 2 == 0:
                squares.append((x, z, square))
            else:
                marks[ident] = (x + o, z - o, square - 2 * o)
                ident += 1
    return marks, squares


def _charuco(clear: float, m: float, dictionary: str, first: int, side: str) -> _Parts:
    square, nx, nz = m / 3, 4, 6
    x0 = clear + square if side == "right" else -clear - square - nx * square
    z0 = nz * square / 2 + 2
    marks, squares = _board(x0, z0, nx, nz, square, first)
    board = Charuco((nx, nz), square, 0.72 * square, (x0, z0))
    return _Parts(marks, squares, [(x0 - square, z0 + square, x0 + (nx + 1) * square, -40.0)], board)


def _standing(clear: float, m: float, dictionary: str, first: int, side: str) -> _Parts:
    q = 0.25 * m
    width = 2 * m + 3 * q
    marks = {first: (-width / 2 + q, q + m + 4, m), first + 1: (width / 2 - q - m, q + m + 4, m)}
    return _Parts(
        marks,
        [],
        [(-width / 2, 2 * q + m + 4, width / 2, 0.0)],
        edge_z=0.0,
        note="Stands on the rim with its lower edge, behind the lever: cut that edge with care.",
    )


def _calibration(clear: float, m: float, dictionary: str, first: int, side: str) -> _Parts:
    square, nx, nz = 24.0, 7, 9
    marks, squares = _board(-nx * square / 2, nz * square / 2, nx, nz, square, 0)
    return _Parts(
        marks,
        squares,
        [],
        Charuco((nx, nz), square, 0.72 * square, (-nx * square / 2, nz * square / 2)),
        note=f"Calibration board {nx}x{nz}, squares {square:g} mm, markers {0.72 * square:g} mm, {dictionary}.",
    )


def _compose(p: _Parts, layout: str, dictionary: str, page: tuple[float, float]) -> Sheet:
    import cv2

    dic = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    n = int(dic.markerSize) + 2
    if max(p.markers) >= dic.bytesList.shape[0]:
        raise SetupError(
            "target",
            [
                f"{dictionary} has {dic.bytesList.shape[0]} markers, id {max(p.markers)} is not one; "
                "take a smaller first id or a larger dictionary"
            ],
        )
    xs = [v for x, _, s in [*p.markers.values(), *p.squares] for v in (x, x + s)] + [
        v for c in p.cuts for v in (c[0], c[2])
    ]
    zs = [v for _, z, s in [*p.markers.values(), *p.squares] for v in (z, z - s)] + [
        v for c in p.cuts for v in (c[1], c[3])
    ]
    w, h = max(xs) - min(xs), max(zs) - min(zs)
    size = page if w <= page[0] - 14 else (page[1], page[0])
    if w > size[0] - 14 or h > size[1] - 46:
        raise SetupError(
            "target",
            [
                f"the {layout} target is {w:.0f} x {h:.0f} mm and does not fit on the page; "
                "take smaller markers or another layout"
            ],
        )
    ox, oy = size[0] / 2 - (max(xs) + min(xs)) / 2, 10 + max(zs)
    black: list[tuple[float, float, float, float]] = [(ox + x, oy - z, s, s) for x, z, s in p.squares]
    for ident, (x, z, s) in p.markers.items():
        cells = cv2.aruco.generateImageMarker(dic, ident, n)
        c = s / n
        for r in range(n):
            k = 0
            while k < n:  # runs of black cells, so that no hairline shows between them
                e = k
                while e < n and cells[r, e] < 128:
                    e += 1
                if e > k:
                    black.append((ox + x + k * c, oy - z + r * c, (e - k) * c, c))
                k = max(e, k + 1)
    lines = [seg for a, t, b, u in p.cuts for seg in _box(ox + a, oy - t, ox + b, oy - u)]
    words: list[tuple[float, float, float, str]] = []
    base = size[1] - 16
    ruler = 10.0
    lines.append((ruler, base, ruler + 100, base))
    for mm in range(101):
        lines.append((ruler + mm, base, ruler + mm, base - (5 if mm % 10 == 0 else 3 if mm % 5 == 0 else 2)))
    words.append(
        (
            ruler,
            base + 5,
            3.2,
            "This ruler is 100 mm long. Print at 100 %, measure it with a caliper; the setup's print_scale_u",
        )
    )
    words.append(
        (ruler, base + 9, 3.2, f"is how well you know the size (0.01 unmeasured). {layout}, {dictionary}. {p.note}")
    )
    return Sheet(size, tuple(black), tuple(lines), tuple(words), _setup(p, dictionary))


def _box(a: float, t: float, b: float, u: float) -> list[tuple[float, float, float, float]]:
    return [(a, t, b, t), (b, t, b, u), (b, u, a, u), (a, u, a, t)]


def _setup(p: _Parts, dictionary: str) -> str:
    lines = [
        "[target]",
        f'dictionary = "{dictionary}"',
        "depth_offset_mm = 0.0    # print behind the lever tip: measure it",
        "depth_offset_u_mm = 0.3",
        "print_scale_u = 0.01     # 0.002 once the ruler was measured",
    ]
    if p.edge_z is not None:
        lines.append(f"edge_z_mm = {p.edge_z}")
    if p.charuco is not None:
        c = p.charuco
        lines += [
            "",
            "[target.charuco]",
            f"squares = [{c.squares[0]}, {c.squares[1]}]",
            f"square_mm = {c.square_mm:.4f}",
            f"marker_mm = {c.marker_mm:.4f}",
            f"origin_mm = [{c.origin_mm[0]:.4f}, {c.origin_mm[1]:.4f}]",
        ]
    for ident, (x, z, s) in p.markers.items():
        q = [(x, z), (x + s, z), (x + s, z - s), (x, z - s)]
        lines += [
            "",
            "[[target.markers]]",
            f"id = {ident}",
            "corners_mm = [" + ", ".join(f"[{a:.4f}, {b:.4f}]" for a, b in q) + "]",
        ]
    return "\n".join(lines) + "\n"


def to_svg(sheet: Sheet) -> str:
    """The sheet as an SVG file at true scale."""
    w, h = sheet.size
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm" viewBox="0 0 {w} {h}">',
        f'<rect width="{w}" height="{h}" fill="white"/>',
    ]
    out += [
        f'<rect x="{x:.4f}" y="{y:.4f}" width="{a:.4f}" height="{b:.4f}" fill="black"/>' for x, y, a, b in sheet.black
    ]
    out += [
        f'<line x1="{a:.4f}" y1="{b:.4f}" x2="{c:.4f}" y2="{d:.4f}" stroke="black" stroke-width="0.1"/>'
        for a, b, c, d in sheet.lines
    ]
    out += [
        f'<text x="{x}" y="{y}" font-size="{s}" font-family="Helvetica, Arial, sans-serif">{_escape(t)}</text>'
        for x, y, s, t in sheet.words
    ]
    return "\n".join([*out, "</svg>", ""])


def _escape(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;")


def to_pdf(sheet: Sheet) -> bytes:
    """The sheet as a one-page PDF at true scale (ISO 32000 objects: catalog, pages, page, font, content)."""
    k = 72 / 25.4
    w, h = sheet.size
    ops = ["0 g", "0.3 w"]
    ops += [f"{x * k:.4f} {(h - y - b) * k:.4f} {a * k:.4f} {b * k:.4f} re f" for x, y, a, b in sheet.black]
    ops += [f"{a * k:.4f} {(h - b) * k:.4f} m {c * k:.4f} {(h - d) * k:.4f} l S" for a, b, c, d in sheet.lines]
    for x, y, s, t in sheet.words:
        safe = t.replace("\\", "\\\\").replace("(", "\\(").replace(")", "\\)")
        ops.append(f"BT /F1 {s * k:.2f} Tf {x * k:.3f} {(h - y) * k:.3f} Td ({safe}) Tj ET")
    content = "\n".join(ops).encode("latin-1", "replace")
    objects: list[bytes] = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        (
            f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {w * k:.4f} {h * k:.4f}] /Contents 5 0 R "
            "/Resources << /Font << /F1 4 0 R >> >> >>"
        ).encode(),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>",
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(content), content),
    ]
    out, offsets = bytearray(b"%PDF-1.4\n"), []
    for number, body in enumerate(objects, 1):
        offsets.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    start = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    for offset in offsets:
        out += b"%010d 00000 n \n" % offset
    out += b"trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (len(objects) + 1, start)
    return bytes(out)


def options(**given: Any) -> dict[str, Any]:
    """Only what was given: for callers whose options may be unset."""
    return {k: v for k, v in given.items() if v is not None}
