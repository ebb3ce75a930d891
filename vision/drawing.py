"""The annotated picture: rim line, tip, the height as a dimension, limits beside a scale; or why it was refused.

What matters is small in a photograph, so an enlarged view of the tip carries the dimension, the scale and the limits;
the photograph itself shows where that is. Colours from Okabe and Ito's set for the colour-blind (from memory); every
line has a dark casing and its own dash, mark or word, so that the picture reads in grey as well.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import numpy as np

from vision.model import Array, Measurement, Photo, Refusal
from vision.uncertainty import shown

_RIM, _TIP, _TARGET, _LIMIT, _INK, _CASE = (
    (86, 180, 233),
    (240, 228, 66),
    (255, 255, 255),
    (230, 159, 0),
    (255, 255, 255),
    (0, 0, 0),
)
MAX_WIDTH = 1600
Limits = tuple[float | None, float | None]


def overlay(
    photo: Photo,
    result: Measurement | Refusal,
    *,
    limits: Limits | None = None,
    quality: int = 88,
) -> bytes:
    """Draw what was found.

    Args:
        photo: the measured picture.
        result: what :func:`vision.measure` answered.
        limits: lower and upper limit of the height in mm, drawn as a band beside the scale; None: no such limit.
        quality: of the JPEG.

    Returns:
        a JPEG file, at most ``MAX_WIDTH`` pixels wide.
    """
    from PIL import Image, ImageDraw

    image = Image.fromarray(photo.rgb)
    scale = min(1.0, MAX_WIDTH / image.width)
    if scale < 1:
        size = round(image.width * scale), round(image.height * scale)
        image = image.resize(size, Image.Resampling.LANCZOS, reducing_gap=2.0)
    pen = _Pen(ImageDraw.Draw(image), image.size, scale)
    for quad in result.pixels.target:
        pen.closed(quad, _TARGET)
    if result.pixels.rim_outline is not None:
        pen.dashes(result.pixels.rim_outline, _RIM)
    if isinstance(result, Measurement):
        _measured(pen, result)
        _lens(image, photo, result, limits, pen)
        lines = [_caption(result, limits)] + [f"! {f.sentence}" for f in result.flags]
    else:
        _doubted(pen, result)
        lines = ["NOT MEASURED", *_wrap(result.sentence, max(30, int(image.width / pen.size * 1.9)))]
    pen.caption(lines)
    out = io.BytesIO()
    image.convert("RGB").save(out, "JPEG", quality=quality)
    return out.getvalue()


def _caption(m: Measurement, limits: Limits | None) -> str:
    text = f"height {m.value_mm:.2f} mm  ± {shown(m.expanded_mm)} mm (k = {m.k:.0f})"
    if limits is None or limits == (None, None):
        return text
    low, high = limits
    if low is None:
        return f"{text}   limit: at most {high:.2f} mm"
    return f"{text}   limit: at least {low:.2f} mm" if high is None else f"{text}   limits {low:.2f} to {high:.2f} mm"


class _Pen:
    """Lines and words with a dark casing, in the shrunken picture's pixels; takes full-size picture points."""

    def __init__(self, draw: Any, size: tuple[int, int], scale: float) -> None:
        self.draw, self.area, self.scale = draw, size, scale
        self.width = max(2, round(size[0] / 480))
        self.size = max(13, round(size[0] / 46))

    def at(self, points: Array) -> list[tuple[float, float]]:
        return [((float(x) + 0.5) * self.scale, (float(y) + 0.5) * self.scale) for x, y in np.reshape(points, (-1, 2))]

    def line(self, points: Array, colour: Any, width: int | None = None) -> None:
        w = width or self.width
        q = self.at(points)
        self.draw.line(q, fill=_CASE, width=w + 2)
        self.draw.line(q, fill=colour, width=w)

    def closed(self, points: Array, colour: Any) -> None:
        self.line(np.concatenate([points, points[:1]]), colour)

    def dashes(self, points: Array, colour: Any) -> None:
        for k in range(0, len(points) - 1, 4):
            self.line(points[k : k + 3], colour, max(1, self.width - 1))

    def ring(self, centre: Array, colour: Any) -> None:
        x, y = self.at(centre)[0]
        for r, c in ((7, _CASE), (5, colour)):
            half = r * self.width / 2
            self.draw.ellipse((x - half, y - half, x + half, y + half), outline=c, width=self.width)

    def words(
        self, x: float, y: float, text: str, colour: Any = _INK, anchor: str = "la", size: int | None = None
    ) -> None:
        from PIL import ImageFont

        font = ImageFont.load_default(size or self.size)
        stroke = max(2, (size or self.size) // 9)
        self.draw.text((x, y), text, fill=colour, font=font, anchor=anchor, stroke_width=stroke, stroke_fill=_CASE)

    def caption(self, lines: Sequence[str]) -> None:
        step = round(self.size * 1.35)
        y = self.area[1] - step * len(lines) - self.size // 2
        self.draw.rectangle((0, y - self.size // 3, self.area[0], self.area[1]), fill=(20, 20, 20))
        for k, text in enumerate(lines):
            self.words(self.size * 0.6, y + k * step, text)


def _wrap(text: str, width: int) -> list[str]:
    import textwrap

    return textwrap.wrap(text, width)


def _measured(pen: _Pen, m: Measurement) -> None:
    p = m.pixels
    if p.rim_line is None or p.tip is None or p.foot is None:
        return
    pen.line(p.rim_line, _RIM)
    pen.line(np.stack([p.foot, p.tip]), _TIP)
    pen.ring(p.tip, _TIP)


def _doubted(pen: _Pen, r: Refusal) -> None:
    """What looked most like the tip, if anything did."""
    tip = r.pixels.tip
    if tip is not None:
        pen.ring(tip, _TIP)
        x, y = pen.at(tip)[0]
        pen.words(x + 5 * pen.width, y, "?", _TIP, "lm")


def _lens(image: Any, photo: Photo, m: Measurement, limits: Limits | None, pen: _Pen) -> None:
    """The tip enlarged, in the upper corner that is farther from it, with dimension, scale and limits."""
    from PIL import Image, ImageDraw

    p = m.pixels
    if p.tip is None or p.foot is None or p.rim_line is None or p.up is None:
        return
    mm = float(np.linalg.norm(p.up))
    named = [m.value_mm, 0.0, *(v for v in limits or () if v is not None)]
    low, high = min(min(named) - 0.8, -1.0), max(max(named) + 0.8, 2.5)
    half = max(24.0, (high - low) / 2 * mm)
    centre = p.foot + p.up * (low + high) / 2
    box = [round(b) for b in (centre[0] - 1.35 * half, centre[1] - half, centre[0] + 1.35 * half, centre[1] + half)]
    width = round(image.width * 0.38)
    zoom = width / (box[2] - box[0])
    part = Image.fromarray(photo.rgb).crop(tuple(box))
    part = part.resize((width, round((box[3] - box[1]) * zoom)), Image.Resampling.BICUBIC)
    inner = _Pen(ImageDraw.Draw(part), part.size, zoom)
    inner.width, inner.size = pen.width, max(13, round(0.82 * pen.size))
    _dimension(inner, m, limits, half, np.array(box[:2], float))
    margin = pen.size // 2
    left = margin if p.tip[0] * pen.scale > image.width / 2 else image.width - part.width - margin
    image.paste(part, (left, margin))
    frame = (left, margin, left + part.width, margin + part.height)
    pen.draw.rectangle(frame, outline=_CASE, width=3)
    pen.draw.rectangle((frame[0] + 2, frame[1] + 2, frame[2] - 2, frame[3] - 2), outline=_INK, width=1)
    corners = np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]], float)
    pen.draw.polygon(pen.at(corners), outline=_INK)


def _dimension(pen: _Pen, m: Measurement, limits: Limits | None, half: float, origin: Array) -> None:
    p = m.pixels
    assert p.rim_line is not None
    assert p.tip is not None
    assert p.foot is not None
    assert p.up is not None
    side = (p.rim_line[1] - p.rim_line[0]) / np.linalg.norm(p.rim_line[1] - p.rim_line[0])
    foot, up = p.foot - origin, p.up

    def on(mm: float, across: float) -> Array:
        return np.asarray(foot + up * mm + side * across * half)

    pen.line(p.rim_line - origin, _RIM)
    x, y = pen.at(on(0, -1.3))[0]
    pen.words(x, y + 0.3 * pen.size, "rim at the tip's depth", _RIM, "la", round(0.8 * pen.size))
    value, u = m.value_mm, m.expanded_mm
    # dimension to the left of the tip: extension lines, arrows, the uncertainty as a bracket
    pen.line(np.stack([on(value, 0), on(value, -0.62)]), _TIP, 1)
    pen.line(np.stack([on(0, -0.52), on(value, -0.52)]), _TIP)
    for end, way in ((value, -1.0), (0.0, 1.0)):
        for across in (-0.57, -0.47):
            tail = end + way * np.sign(value or 1.0) * min(0.22, 0.5 * abs(value))
            pen.line(np.stack([on(end, -0.52), on(tail, across)]), _TIP)
    pen.ring(p.tip - origin, _TIP)
    x, y = pen.at(on(max(value, 0.0), -1.3))[0]
    pen.words(x, y - 0.4 * pen.size, f"{value:.2f} ± {shown(u)} mm", _TIP, "ls")
    _ruler(pen, m, limits, on)


def _ruler(pen: _Pen, m: Measurement, limits: Limits | None, on: Any) -> None:
    """A scale to the right with its millimetres, the value with its uncertainty upon it, limits as a hatched band."""
    low, high = -10.0, 15.0
    rail = 0.6
    small = round(0.8 * pen.size)
    pen.line(np.stack([on(low, rail), on(high, rail)]), _INK, 1)
    for k in range(int(2 * low), int(2 * high) + 1):
        whole = k % 2 == 0
        pen.line(np.stack([on(k / 2, rail), on(k / 2, rail - (0.07 if whole else 0.035))]), _INK, 1)
        if whole:
            x, y = pen.at(on(k / 2, rail - 0.09))[0]
            pen.words(x, y, f"{k // 2}", _INK, "rm", small)
    if limits is not None and limits != (None, None):
        a, b = (low if limits[0] is None else limits[0]), (high if limits[1] is None else limits[1])
        for f in np.arange(a, b, 0.15):
            g = min(f + 0.15, b)
            pen.line(np.stack([on(f, rail + 0.03), on(g, rail + 0.16)]), _LIMIT, 1)
        pen.closed(np.array([on(a, rail + 0.03), on(b, rail + 0.03), on(b, rail + 0.16), on(a, rail + 0.16)]), _LIMIT)
        for v, word, anchor in ((limits[0], "min", "lt"), (limits[1], "max", "lb")):
            if v is not None:
                x, y = pen.at(on(v, rail + 0.19))[0]
                pen.words(x, y, f"{word} {v:.2f}", _LIMIT, anchor, small)
    lo, hi = m.value_mm - m.expanded_mm, m.value_mm + m.expanded_mm
    pen.line(np.stack([on(lo, rail), on(hi, rail)]), _TIP, 2 * pen.width)
    pen.line(np.stack([on(m.value_mm, rail - 0.06), on(m.value_mm, rail + 0.2)]), _TIP)
