"""Draws the reducer's nameplate, the one demonstration picture on which nothing is measured."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont

TARGET = Path(__file__).resolve().parent / "jobs" / "pressure-reducer" / "photos" / "nameplate.jpg"


def main() -> None:
    """Write the picture: an engraved brass plate with two screws, slightly turned, with sensor noise."""
    source = np.random.default_rng(4719)
    plate = Image.new("RGB", (1000, 620), (176, 148, 84))
    draw = ImageDraw.Draw(plate)
    draw.rounded_rectangle((14, 14, 985, 605), 36, outline=(96, 78, 40), width=5)
    for x in (62, 938):
        draw.ellipse((x - 24, 286, x + 24, 334), fill=(120, 104, 70), outline=(70, 58, 34), width=4)
        draw.line((x - 15, 322, x + 15, 298), fill=(60, 50, 30), width=6)
    for text, size, y in (("PRESSURE REDUCER", 70, 90), ("R4719", 190, 210), ("max. inlet 232 bar", 60, 470)):
        draw.text((500, y), text, font=ImageFont.load_default(size), fill=(58, 46, 24), anchor="ma")
    scene = Image.new("RGB", (1280, 960), (72, 78, 84))
    scene.paste(plate, (140, 170))
    scene = scene.rotate(2.3, Image.Resampling.BICUBIC, fillcolor=(72, 78, 84)).filter(ImageFilter.GaussianBlur(1.1))
    pixels = np.asarray(scene, dtype=np.float64) * np.linspace(0.85, 1.12, 1280)[None, :, None]
    pixels += source.normal(0, 4, pixels.shape)
    TARGET.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)).save(TARGET, quality=85)


if __name__ == "__main__":
    main()
