"""The page of a bench that has a camera of its own, in a real browser: one button takes the picture asked for."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from capture.camera import open_camera
from tests.live.conftest import Served
from tests.live.test_page import open_job, say, shows


def test_the_button_takes_the_picture(page: Any, serve: Callable[..., Served], tmp_path: Path) -> None:
    folder = tmp_path / "Bench eye"
    folder.mkdir()
    for seed in range(2):
        rgb = np.random.default_rng(seed).integers(0, 256, (96, 128, 3), np.uint8)
        Image.fromarray(rgb).save(folder / f"{seed}.png")
    served = serve(camera=open_camera(str(folder)), camera_when_asked=False)
    open_job(page, served)
    for line in ("stage assembly", "photo lever side"):
        say(page, line)
    shows(page, "#asked", "Take the picture now: Lever from the side")
    if os.environ.get("SHOTS"):
        page.screenshot(path=f"{os.environ['SHOTS']}/camera.png")
    page.get_by_role("button", name="Take it with Bench eye").click()
    shows(page, "#cards", "3.02 mm")
    page.locator("#asked").filter(has_not_text="Take").wait_for(state="attached")
    (photo,) = [row for row in served.bench.record.rows() if row.kind == "photo"]
    assert photo.body["file"]["camera"] == "Bench eye"
    assert photo.body["file"]["frames_taken"] == 2
