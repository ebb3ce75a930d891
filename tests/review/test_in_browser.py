"""The report in a real browser: what a parser cannot see."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import CHROMIUM
from tests.review.conftest import Sample


@pytest.fixture(scope="module")
def browser(driver: Any) -> Iterator[Any]:
    options = ["--no-sandbox", "--autoplay-policy=no-user-gesture-required", "--mute-audio"]
    running = driver.chromium.launch(executable_path=CHROMIUM, args=options)
    yield running
    running.close()


@pytest.fixture(scope="module")
def file(sample: Sample, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(sample.html, "utf-8")
    return path


class Watched:
    """A page, and everything it complained of or asked the network for."""

    def __init__(self, browser: Any, file: Path, **options: Any) -> None:
        self.told: list[str] = []
        self.page = browser.new_page(**options)
        self.page.on("console", lambda message: self.told.append(message.text))
        self.page.on("pageerror", lambda error: self.told.append(str(error)))
        self.page.on("request", lambda request: self.told.append(request.url[:60]))
        self.page.goto(file.as_uri())

    def complaints(self, file: Path) -> list[str]:
        """Without the page itself and what it carries inside."""
        return [text for text in self.told if not text.startswith("data:") and not file.as_uri().startswith(text)]


def until(page: Any, condition: str) -> None:
    """Wait for a condition; without the page's own eval, which its policy forbids."""
    for _ in range(100):
        if page.evaluate(condition):
            return
        page.wait_for_timeout(50)
    pytest.fail(f"never came true: {condition}")


def test_a_clip_plays_and_the_page_asks_for_nothing(browser: Any, file: Path) -> None:
    watched = Watched(browser, file)
    page = watched.page
    played = page.evaluate(
        """async () => {
          const clip = document.querySelectorAll("audio")[4];
          await clip.play();
          await new Promise((done) => clip.addEventListener("timeupdate", done, { once: true }));
          return [clip.duration, clip.error, clip.paused];
        }"""
    )
    assert played[0] == pytest.approx(1.3, abs=0.01)
    assert played[1:] == [None, False]
    assert page.evaluate("[...document.images].every((i) => i.complete && i.naturalWidth > 0)")
    assert watched.complaints(file) == []
    page.close()


def test_every_clip_can_be_decoded(browser: Any, file: Path) -> None:
    page = Watched(browser, file).page
    lengths = page.evaluate(
        """async () => {
          const lengths = [];
          for (const clip of document.querySelectorAll("audio")) {
            const ready = new Promise((done, fail) => { clip.onloadedmetadata = done; clip.onerror = fail; });
            clip.preload = "metadata";
            clip.load();
            await ready;
            lengths.push(clip.duration);
            clip.removeAttribute("src");
            clip.load();
          }
          return lengths;
        }"""
    )
    assert len(lengths) > 50
    assert all(0.7 < length < 1.8 for length in lengths)
    page.close()


def test_keys_play_go_on_go_back_and_find_warnings(browser: Any, file: Path) -> None:
    page = Watched(browser, file).page
    playing = "[...document.querySelectorAll('audio')].map((c, n) => c.paused ? -1 : n).filter((n) => n >= 0)"
    assert page.locator("#keys").is_visible()
    page.keyboard.press("n")
    page.keyboard.press("n")
    until(page, f"({playing}).join() === '1'")
    page.keyboard.press("b")
    until(page, f"({playing}).join() === '0'")
    page.keyboard.press("p")
    until(page, f"({playing}).length === 0")
    page.keyboard.press("w")
    assert page.evaluate("document.activeElement.closest('.block').querySelector('.warned') !== null")
    page.close()


@pytest.mark.parametrize("width", [1280, 820, 390, 320])
def test_nothing_sticks_out_sideways(browser: Any, file: Path, width: int) -> None:
    page = Watched(browser, file, viewport={"width": width, "height": 900}).page
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


def test_it_reads_without_script(browser: Any, file: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(file.as_uri())
    assert page.locator("h1").is_visible()
    assert page.locator("audio").first.is_visible()
    assert not page.locator("#keys").is_visible()
    context.close()


def test_on_paper_players_give_way_to_the_clips_hashes(browser: Any, file: Path, tmp_path: Path) -> None:
    page = Watched(browser, file).page
    page.emulate_media(media="print")
    assert not page.locator("audio").first.is_visible()
    assert "SHA-256" in page.locator(".clip-facts").first.inner_text()
    paper = page.pdf(prefer_css_page_size=True, print_background=True)
    assert paper.startswith(b"%PDF")
    # A4 is 210 x 297 mm (ISO 216), 595.3 x 841.9 points
    box = paper[paper.index(b"/MediaBox") :][:60].split(b"[")[1].split(b"]")[0].split()
    assert [round(float(side)) for side in box] == [0, 0, pytest.approx(595, abs=1), pytest.approx(842, abs=1)]
    page.close()


def test_text_is_dark_enough_everywhere(browser: Any, file: Path) -> None:
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text, with its formula of relative luminance."""
    page = Watched(browser, file).page
    worst = page.evaluate(
        """() => {
          const parse = (text) => text.match(/[\\d.]+/g).map(Number);
          const light = ([r, g, b]) => [r, g, b].map((c) => c / 255)
            .map((c) => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4)
            .reduce((sum, c, n) => sum + c * [0.2126, 0.7152, 0.0722][n], 0);
          const ground = (node) => {
            for (let at = node; at; at = at.parentElement) {
              const colour = parse(getComputedStyle(at).backgroundColor);
              if (colour.length === 3 || colour[3] > 0) return colour;
            }
            return [255, 255, 255];
          };
          const found = [];
          for (const node of document.querySelectorAll("body *")) {
            const own = [...node.childNodes].some((c) => c.nodeType === 3 && c.textContent.trim());
            if (!own || ["SCRIPT", "STYLE"].includes(node.tagName)) continue;
            const a = light(parse(getComputedStyle(node).color)), b = light(ground(node));
            const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
            found.push([ratio, node.className, node.textContent.slice(0, 30)]);
          }
          return found.sort((x, y) => x[0] - y[0])[0];
        }"""
    )
    assert worst[0] >= 4.5, worst
    page.close()
