"""The annotated picture: rim line, tip, the height as a dimension, limits beside the scale; or why it was refused.

Colours from Okabe and Ito's set for the colour-blind (from memory), every line on a dark casing and with its own
dash or mark, so that it reads in grey as well.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import numpy as np

from vision.model import Array, Measurement, Photo, Refusal

_RIM, _TIP, _TARGET, _LIMIT, _INK, _CASE = (
    (86, 180, 233),
    (240, 228, 66),
    (255, 255, 255),
    (0, 158, 115),
    (255, 255, 255),
    (0, 0, 0),
)
MAX_WIDTH = 1600


def overlay(
    photo: Photo,
    result: Measurement | Refusal,
    *,
    limits: tuple[float | None, float | None] | None = None,
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
        image = image.resize((round(image.width * scale), round(image.height * scale)), Image.Resampling.LANCZOS)
    pen = _Pen(ImageDraw.Draw(image), image.size, scale)
    for quad in result.pixels.target:
        pen.closed(quad, _TARGET)
    if result.pixels.rim_outline is not None:
        pen.dashes(result.pixels.rim_outline, _RIM)
    if isinstance(result, Measurement):
        _measured(pen, result)
        _scale(pen, result, limits)
        _lens(image, photo, result, pen)
        caption = f"height {result.value_mm:.2f} mm  ± {result.expanded_mm:.2f} mm (k = {result.k:.0f})"
        lines = [caption] + [f"! {f.sentence}" for f in result.flags]
    else:
        lines = ["NOT MEASURED", *_wrap(result.sentence, max(30, int(image.width / pen.size * 1.9)))]
    pen.caption(lines)
    out = io.BytesIO()
    image.convert("RGB").save(out, "JPEG", quality=quality)
    return out.getvalue()


class _Pen:
    """Lines and words with a dark casing, in the shrunken picture's pixels; takes full-size picture points."""

    def __init__(self, draw: Any, size: tuple[int, int], scale: float) -> None:
        self.draw, self.area, self.scale = draw, size, scale
        self.width = max(2, round(size[0] / 550))
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
        self.draw.text(
            (x, y), text, fill=colour, font=font, anchor=anchor, stroke_width=max(2, self.size // 9), stroke_fill=_CASE
        )

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


def _scale(pen: _Pen, m: Measurement, limits: tuple[float | None, float | None] | None) -> None:
    """A millimetre scale beside the tip; the limits as a hatched band along it."""
    p = m.pixels
    if p.rim_line is None or p.foot is None or p.up is None:
        return
    along = p.rim_line[1] - p.rim_line[0]
    foot = p.foot + 0.27 * along
    cross = along / np.linalg.norm(along)
    tick = 0.012 * float(np.linalg.norm(along))
    low, high = min(-1, int(np.floor(m.value_mm)) - 1), max(5, int(np.ceil(m.value_mm)) + 1)
    if limits is not None:
        a = low if limits[0] is None else limits[0]
        b = high if limits[1] is None else limits[1]
        quad = np.array(
            [foot + p.up * a, foot + p.up * b, foot + p.up * b + cross * 3 * tick, foot + p.up * a + cross * 3 * tick]
        )
        pen.closed(quad, _LIMIT)
        for f in np.arange(a, b, 0.4):
            pen.line(np.stack([foot + p.up * f, foot + p.up * min(f + 0.4, b) + cross * 3 * tick]), _LIMIT, 1)
    pen.line(np.stack([foot + p.up * low, foot + p.up * high]), _INK)
    for mm in range(low, high + 1):
        pen.line(np.stack([foot + p.up * mm, foot + p.up * mm - cross * tick]), _INK, 1)
    pen.line(
        np.stack([foot + p.up * (m.value_mm - m.expanded_mm), foot + p.up * (m.value_mm + m.expanded_mm)]),
        _TIP,
        pen.width * 2,
    )


def _lens(image: Any, photo: Photo, m: Measurement, pen: _Pen) -> None:
    """An enlarged inset of the tip, with the dimension and its value."""
    from PIL import Image, ImageDraw

    p = m.pixels
    if p.tip is None or p.foot is None or p.rim_line is None:
        return
    half = max(24.0, 1.4 * abs(m.value_mm) / m.scale_mm_per_px, 4.0 / m.scale_mm_per_px)
    centre = (p.tip + p.foot) / 2
    box = [centre[0] - 1.5 * half, centre[1] - half, centre[0] + 1.5 * half, centre[1] + half]
    w = round(image.width * 0.36)
    zoom = w / (3 * half)
    part = Image.fromarray(photo.rgb).crop(tuple(round(b) for b in box))
    part = part.resize((w, round(2 * half * zoom)), Image.Resampling.BICUBIC)
    inner = _Pen(ImageDraw.Draw(part), part.size, zoom)
    inner.width = pen.width
    inner.size = pen.size
    origin = np.array([round(box[0]), round(box[1])])
    inner.line(p.rim_line - origin, _RIM)
    side = (p.rim_line[1] - p.rim_line[0]) / np.linalg.norm(p.rim_line[1] - p.rim_line[0])
    gap = side * 0.55 * half
    inner.line(np.stack([p.foot + gap, p.tip + gap]) - origin, _TIP)
    for end in (p.tip, p.foot):
        inner.line(np.stack([end, end + 1.15 * gap]) - origin, _TIP, 1)
        inner.line(np.stack([end + gap - side * 0.06 * half, end + gap + side * 0.06 * half]) - origin, _TIP)
    inner.ring(p.tip - origin, _TIP)
    x, y = inner.at((p.foot + p.tip) / 2 + 1.25 * gap - origin)[0]
    inner.words(min(x, part.width - 6 * pen.size), y, f"{m.value_mm:.2f} mm", anchor="lm")
    margin = pen.size // 2
    image.paste(part, (margin, margin))
    pen.draw.rectangle((margin, margin, margin + part.width, margin + part.height), outline=_CASE, width=2)
    pen.draw.rectangle(
        (margin + 2, margin + 2, margin + part.width - 2, margin + part.height - 2), outline=_INK, width=1
    )
