"""Measuring a picture again by pointing at it: the demonstration's photograph, its setup, and the real measurement."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from capture.bench.measurer import SetupMeasurer
from capture.procedure import find, load_procedure
from capture.record import verify
from tests.review_pages.conftest import Reviewed, come_in, press, says_who, serving, until

DEMO = Path(__file__).parents[2] / "demo_media"
PICTURE = DEMO / "jobs" / "lever-valve" / "photos" / "lever-assembled.jpg"
SETUP = DEMO / "setups" / "bench-camera.toml"

pytestmark = pytest.mark.skipif(not (PICTURE.is_file() and SETUP.is_file()), reason="the demonstration is not here")


@pytest.fixture
def photographed(tmp_path: Path) -> Iterator[Reviewed]:
    setups = {"lever_side": SETUP}
    measurer = SetupMeasurer(load_procedure(find("lever_valve")), setups)
    with serving(tmp_path, setups, photo=PICTURE.read_bytes(), measurer=measurer) as found:
        yield found


def test_by_clicking_and_by_keys(page: Any, photographed: Reviewed) -> None:
    come_in(page, photographed)
    says_who(page)
    first = photographed.rows("photo")[0]
    tip = first.body["data"]["measurement"]["pixels"]["tip"]
    scale = first.body["data"]["measurement"]["scale_mm_per_px"]
    reading = next(row for row in photographed.rows("reading") if row.body["data"].get("via") == "photo")
    page.locator(f"#e-{reading.seq}").click()
    page.keyboard.press("e")
    until(page, "document.getElementById('photo').naturalWidth > 0 && document.querySelector('.mark-cross')")
    # 20 pixels over the tip that was found, clicked where it is seen
    wanted = [tip[0], tip[1] - 20]
    box = page.evaluate(
        """([x, y]) => {
          const photo = document.getElementById('photo'), box = photo.getBoundingClientRect();
          const scale = photo.width / photo.naturalWidth;
          return [box.left + (x + 0.5) * scale, box.top + (y + 0.5) * scale];
        }""",
        wanted,
    )
    page.mouse.click(*box)
    assert "Tip: given" in page.locator("#points").inner_text()
    with page.expect_response("**/measure"):
        page.locator("#try").click()
    told = page.locator("#measured")
    told.filter(has_text="mm ±").wait_for()
    assert len(photographed.rows("photo")) == 1, "tried only, nothing is on record yet"
    page.locator("#measuring-why").fill("the edge of the sleeve was taken for the tip")
    with page.expect_response("**/measure"):
        page.locator("#measuring-why").press("Enter")
    page.locator(".part.written").wait_for()
    photo, again = photographed.rows("photo")[-1], photographed.rows("reading")[-1]
    assert photo.body["replaces"] == first.id
    assert again.body["replaces"] == reading.id
    assert again.body["stage"] == reading.body["stage"] == "assembled"
    assert photo.body["data"]["measurement"]["assisted"] is True
    assert photo.body["review"]["reason"] == "the edge of the sleeve was taken for the tip"
    rise = float(again.body["data"]["amount"]) - float(reading.body["data"]["amount"])
    assert rise == pytest.approx(20 * scale, rel=0.1), "twenty pixels are so many millimetres"
    assert verify(photographed.record.folder).ok
    card = page.locator(".card:has(.part.written)").inner_text().replace("\u00a0", " ")
    assert f"{again.body['data']['value']} mm" in card
    assert f"{reading.body['data']['value']} mm" in card

    # With keys: the cross one pixel up, a point there; then taken back.
    page.keyboard.press("e")
    until(page, "document.activeElement.id === 'stage'")
    page.keyboard.press("Shift+ArrowUp")
    page.keyboard.press("Enter")
    assert "Tip: given" in page.locator("#points").inner_text()
    page.keyboard.press("Backspace")
    assert "Tip: as found" in page.locator("#points").inner_text()
    page.keyboard.press("Escape")
    press(page, "u", "take-back")
    restored = photographed.rows("reading")[-1]
    assert restored.body["data"]["amount"] == reading.body["data"]["amount"]
    assert [ref.sha256 for ref in restored.media] == [ref.sha256 for ref in reading.media]
    assert verify(photographed.record.folder).ok


def test_what_cannot_be_measured_is_said(page: Any, photographed: Reviewed) -> None:
    come_in(page, photographed)
    says_who(page)
    reading = next(row for row in photographed.rows("reading") if row.body["data"].get("via") == "photo")
    page.locator(f"#e-{reading.seq}").click()
    page.keyboard.press("e")
    until(page, "document.querySelector('.mark-cross')")
    page.locator("#try").click()
    assert "Point at the tip" in page.locator("#measuring-trouble").inner_text()
    page.keyboard.press("Escape")
    page.locator(".part.written").wait_for(state="detached")
    assert len(photographed.rows("photo")) == 1
