"""Printed targets: what is drawn is what the setup says, at true scale, in both formats."""

import re
import tomllib
import xml.etree.ElementTree as Et

import cv2
import numpy as np
import pytest

from vision import SetupError
from vision.markers import detect
from vision.targets import LAYOUTS, Sheet, draw, to_pdf, to_svg

DPI_MM = 8  # pixels per mm


def raster(sheet: Sheet) -> np.ndarray:
    img = np.full((int(sheet.size[1] * DPI_MM), int(sheet.size[0] * DPI_MM)), 255, np.uint8)
    for x, y, w, h in sheet.black:
        a, b, c, d = (round(v * DPI_MM) for v in (x, y, x + w, y + h))
        img[b:d, a:c] = 0
    return img


@pytest.mark.parametrize("layout", LAYOUTS)
def test_markers_are_found_where_the_setup_says(layout: str) -> None:
    sheet = draw(layout, dictionary="DICT_5X5_100")  # type: ignore[arg-type]
    table = tomllib.loads(sheet.setup)["target"]
    found = detect(raster(sheet), "DICT_5X5_100")
    wanted = {m["id"]: np.array(m["corners_mm"]) for m in table["markers"]}
    assert set(found) == set(wanted)
    card = np.concatenate([wanted[k] for k in sorted(wanted)])
    px = np.concatenate([found[k] for k in sorted(wanted)]) / DPI_MM
    # one shift maps card millimetres (z up) to page millimetres (y down): no scale, no turn
    shift = px - card * [1, -1]
    assert np.abs(shift - shift.mean(0)).max() < 0.35


@pytest.mark.parametrize("layout", LAYOUTS)
def test_svg_and_pdf_are_true_to_scale(layout: str) -> None:
    sheet = draw(layout, dictionary="DICT_5X5_100")  # type: ignore[arg-type]
    root = Et.fromstring(to_svg(sheet))
    assert root.attrib["width"] == f"{sheet.size[0]}mm"
    assert root.attrib["viewBox"].split()[2] == f"{sheet.size[0]}"
    pdf = to_pdf(sheet)
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    assert box is not None
    assert float(box[1]) == pytest.approx(sheet.size[0] * 72 / 25.4, abs=1e-3)  # a PDF point is 1/72 inch (ISO 32000)
    assert pdf.count(b" re f") == len(sheet.black)
    start = int(pdf.rsplit(b"startxref\n", 1)[1].split()[0])
    assert pdf[start : start + 4] == b"xref"
    ruler = max(abs(c - a) for a, b, c, d in sheet.lines if b == d and abs(c - a) == 100)
    assert ruler == 100


def test_charuco_ids_agree_with_opencv() -> None:
    sheet = draw("calibration", dictionary="DICT_5X5_100")
    board = cv2.aruco.CharucoBoard((7, 9), 24.0, 17.28, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100))
    _, ids, _, marker_ids = cv2.aruco.CharucoDetector(board).detectBoard(raster(sheet))
    assert ids is not None
    assert len(ids) == 6 * 8
    assert len(marker_ids) == len(tomllib.loads(sheet.setup)["target"]["markers"])


def test_what_does_not_fit_says_so() -> None:
    with pytest.raises(SetupError, match="does not fit"):
        draw("arch", rim_diameter_mm=400)
    with pytest.raises(SetupError, match="smaller first id"):
        draw("pair", first_id=49)
