"""A phone: paired by a code that it reads, takes a picture, shows what it became, and loses nothing on the way."""

from __future__ import annotations

import io
import re
import time
from collections.abc import Callable, Iterator
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from capture.bench.gate.pairing import VALID_S, Pairing
from capture.bench.session import Looked
from capture.judge.entry import PhotoResult
from capture.record import verify
from tests.gates.conftest import Caller, Gated
from tests.live.test_guard import picture
from tests.live.test_page import until

Start = Callable[..., Gated]
PHONE = {"width": 390, "height": 844}


def pair(bench: Gated) -> Caller:
    made = bench.here().post("/phone/pair").json
    token = read_code(made["svg"]).partition("#")[2]
    caller = bench.stranger()
    assert caller.post("/phone/enter", {"token": token}).json == {"to": "/phone"}
    return caller


def read_code(svg: str) -> str:
    """What a camera reads: the picture's modules drawn and decoded by another library than wrote it."""
    size = int(re.search(r'width="(\d+)"', svg).group(1)) // 8  # type: ignore[union-attr]
    image = np.full((size, size), 255, np.uint8)
    path = re.search(r'class="qrline"[^>]* d="([^"]+)"', svg).group(1)  # type: ignore[union-attr]
    x = y = 0.0
    for command, numbers in re.findall(r"([Mmh])([-\d. ]*)", path):
        values = [float(number) for number in numbers.split()]
        if command == "h":
            image[int(y), int(x) : int(x + values[0])] = 0
            x += values[0]
        else:
            x, y = (values[0], values[1]) if command == "M" else (x + values[0], y + values[1])
    return decoded(image, 8)


def decoded(image: Any, *scales: float) -> str:
    """The text of a code's picture. OpenCV's reader fails on a few codes at one size that it reads at another."""
    for scale in (*scales, 3, 4, 5, 6, 7, 10, 12):
        drawn = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_NEAREST)
        for reader in (cv2.QRCodeDetector(), cv2.QRCodeDetectorAruco()):
            text = reader.detectAndDecode(drawn)[0]
            if text:
                return str(text)
    return ""


def test_the_code_holds_the_address_and_the_token_behind_the_hash(gated: Start) -> None:
    bench = gated()
    bench.open()
    made = bench.here().post("/phone/pair").json
    text = read_code(made["svg"])
    assert re.fullmatch(re.escape(bench.lan.origin) + r"/phone#[\w-]{32}", text)
    assert made["fingerprint"].replace(" ", "").lower() == bench.server.gate.fingerprint
    assert not made["plain"]
    assert set(made) == {"svg", "address", "seconds", "fingerprint", "plain"}


def test_a_token_is_good_once_briefly_and_only_the_newest() -> None:
    now = [100.0]
    pairing = Pairing(lambda: now[0])
    first = pairing.offer("job", "Rhea")
    assert pairing.take("x") is None
    assert pairing.take(first.token) == first
    assert pairing.take(first.token) is None
    old, new = pairing.offer("job", "Rhea"), pairing.offer("job", "Rhea")
    assert pairing.take(old.token) is None
    assert pairing.take(new.token) == new
    late = pairing.offer("job", "Rhea")
    now[0] += VALID_S
    assert pairing.take(late.token) is None
    gone = pairing.offer("job", "Rhea")
    pairing.withdraw()
    assert pairing.take(gone.token) is None


def test_tokens_cannot_be_tried_out(gated: Start) -> None:
    bench = gated()
    bench.open()
    bench.here().post("/phone/pair")
    statuses = [bench.stranger().post("/phone/enter", {"token": f"guess{n}"}).status for n in range(14)]
    assert statuses[:10] == [401] * 10
    assert 429 in statuses


def test_a_phone_sends_pictures_of_its_job_and_does_nothing_else(gated: Start) -> None:
    bench = gated()
    bench.open()
    bench.served.bench.desk.live.typed("stage assembly")
    bench.served.bench.desk.live.typed("photo lever side")
    phone = pair(bench)
    state = phone.ask("GET", "/phone/state").json
    assert state["asked"] == "lever_side"
    assert {view["id"] for view in state["views"]} >= {"lever_side", "case_open"}
    answer = phone.ask("POST", "/phone/photo?view=lever_side&name=IMG_1.jpg", picture("JPEG"), X_Upload_Id="0" * 12)
    told = answer.json
    assert (told["value"], told["expanded"], told["measured"]) == ("3.02 mm", "± 0.12 mm", True)
    assert told["verdict"]
    shown = phone.ask("GET", f"/phone/media/{told['picture']}")
    assert (shown.status, shown.headers["content-type"]) == (200, "image/jpeg")
    rows = list(bench.served.bench.record.rows())
    photo = next(row for row in rows if row.kind == "photo")
    assert photo.body["file"] == {"name": "IMG_1.jpg", "time_from": "arrival", "device": "paired phone"}
    assert bench.served.bench.record.read_media(next(r.sha256 for r in photo.media if r.kind == "photo")) == picture(
        "JPEG"
    )
    other = bench.served.bench.record.put_media(picture(size=(9, 9)), "photo", "image/png")
    assert phone.ask("GET", f"/phone/media/{other.sha256}").status == 404
    bench.served.bench.desk.finish()
    assert phone.ask("GET", "/phone/state").status == 409
    assert phone.ask("POST", "/phone/photo", picture(), X_Upload_Id="1" * 12).status == 409
    bench.open()
    assert phone.ask("GET", "/phone/state").status == 409, "it was paired for the first job"
    assert phone.ask("GET", f"/phone/media/{told['picture']}").status == 200
    bench.served.bench.desk.pause()
    assert verify(bench.served.bench.record.folder).ok


def test_the_same_upload_sent_twice_is_taken_once(gated: Start) -> None:
    bench = gated()
    bench.open()
    phone = pair(bench)
    first = phone.ask("POST", "/phone/photo?view=case_open", picture(), X_Upload_Id="a" * 12)
    again = phone.ask("POST", "/phone/photo?view=case_open", picture(), X_Upload_Id="a" * 12)
    assert first.json == again.json
    other = phone.ask("POST", "/phone/photo?view=case_open", picture(), X_Upload_Id="b" * 12)
    assert other.status == 200
    assert [row.kind for row in bench.served.bench.record.rows()].count("photo") == 2


@pytest.mark.parametrize(
    "data",
    [b"", b"<svg/>", picture("GIF"), b"\xff\xd8\xff\xe0 broken"],
    ids=["empty", "svg", "gif", "broken"],
)
def test_a_phone_s_pictures_are_looked_at_like_all_others(gated: Start, data: bytes) -> None:
    bench = gated(plain=True)
    bench.open()
    phone = pair(bench)
    assert phone.ask("POST", "/phone/photo", data, X_Upload_Id="c" * 12).status == 415
    assert phone.ask("POST", "/phone/photo?view=nothing", picture(), X_Upload_Id="c" * 12).status == 400
    assert phone.ask("POST", "/phone/photo", picture()).status == 400
    assert phone.ask("POST", "/phone/photo", b"x", X_Upload_Id="c" * 12, Content_Length="40000001").status == 413


def test_a_revoked_phone_is_out_at_once(gated: Start) -> None:
    bench = gated()
    bench.open()
    phone = pair(bench)
    (listed,) = bench.served.bench.hub.board()["phones"]
    assert phone.ask("GET", "/phone/state").status == 200
    assert bench.here().post("/phone/revoke", {"id": listed["id"]}).status == 200
    assert phone.ask("GET", "/phone/state").status == 401
    assert bench.served.bench.hub.board()["phones"] == []
    assert bench.here().post("/phone/revoke", {"id": listed["id"]}).status == 404


def test_only_phones_are_unpaired_by_their_id(gated: Start) -> None:
    bench = gated()
    bench.open()
    reader = bench.logged_in("Tom Wray")
    (id_,) = [kept.id for kept in bench.server.visitors._kept.values()]
    assert bench.here().post("/phone/revoke", {"id": id_}).status == 404
    assert reader.ask("GET", "/me").status == 200


def test_without_a_network_or_a_job_no_code_is_shown(gated: Start) -> None:
    bench = gated()
    assert bench.here().post("/phone/pair").status == 400
    bench.open()
    bench.server.gate.lan = None
    answer = bench.here().post("/phone/pair")
    assert answer.status == 409
    assert "--lan" in answer.json["error"]


def test_the_token_is_in_no_log_and_no_address(gated: Start, capfd: pytest.CaptureFixture[str]) -> None:
    bench = gated()
    bench.open()
    made = bench.here().post("/phone/pair").json
    token = read_code(made["svg"]).partition("#")[2]
    caller = bench.stranger()
    answer = caller.post("/phone/enter", {"token": token})
    assert answer.headers["referrer-policy"] == "no-referrer"
    told = capfd.readouterr()
    assert token not in told.out + told.err
    assert caller.token not in told.out + told.err
    text = b"".join(path.read_bytes() for path in bench.served.bench.folder.rglob("*") if path.is_file())
    assert token.encode() not in text
    assert caller.token.encode() not in text


# In a real browser.


@pytest.fixture
def phone(browser: Any, gated: Start) -> Iterator[Any]:
    """A phone's browser, that has gone on past the certificate's warning; every address it asks for is kept.

    It is closed before the server, whose lines it would else leave half open.
    """
    context = browser.new_context(
        viewport=PHONE, device_scale_factor=2, has_touch=True, is_mobile=True, ignore_https_errors=True
    )
    context.set_default_timeout(40_000)
    opened = context.new_page()
    faults: list[str] = []
    opened.asked = []
    opened.on("pageerror", lambda error: faults.append(str(error)))
    opened.on("request", lambda request: opened.asked.append((request.url, request.headers.get("referer"))))
    yield opened
    context.close()
    assert faults == []


def tip(name: str = "tip.jpg") -> dict[str, Any]:
    out = io.BytesIO()
    Image.new("RGB", (160, 120), (90, 110, 120)).save(out, "JPEG")
    return {"name": name, "mimeType": "image/jpeg", "buffer": out.getvalue()}


def code_on(page: Any) -> str:
    """Reads the code off the bench page's picture, as a camera would."""
    until(lambda: page.evaluate("document.querySelector('#code').naturalWidth > 0"))
    for _ in range(20):
        shot = cv2.imdecode(np.frombuffer(page.locator("#code").screenshot(), np.uint8), cv2.IMREAD_GRAYSCALE)
        text = decoded(shot, 1, 0.8, 1.5)
        if text:
            return text
        time.sleep(0.1)
    raise AssertionError("the code on the page cannot be read")


def open_bench(page: Any, bench: Gated) -> None:
    bench.open()
    bench.served.bench.desk.live.typed("stage assembly")
    bench.served.bench.desk.live.typed("photo lever side")
    page.goto(bench.server.address)
    page.locator("#pair").click()


def test_a_phone_reads_the_code_takes_the_picture_and_shows_its_height(page: Any, phone: Any, gated: Start) -> None:
    bench = gated()
    open_bench(page, bench)
    phone.goto(code_on(page))
    phone.locator("#asked").filter(has_text="Lever from the side").wait_for()
    page.locator("#paired").filter(has_text="paired since").wait_for()
    assert page.locator("#code").is_hidden(), "the code is used up"
    assert phone.locator("#picture").get_attribute("capture") == "environment"
    assert phone.locator("#picture").get_attribute("accept") == "image/*"
    phone.locator("#picture").set_input_files(tip())
    phone.locator("#value").filter(has_text="3.02 mm ± 0.12 mm").wait_for()
    assert "k = 2" in phone.locator("#limits").inner_text()
    until(lambda: phone.evaluate("document.querySelector('#drawn').naturalWidth") == 160)
    page.keyboard.press("Escape")
    page.locator("#cards").filter(has_text="3.02 mm").wait_for()
    with phone.expect_file_chooser() as chooser:
        phone.locator("#next").click()
    chooser.value.set_files(tip())
    phone.locator("#value").filter(has_text="1.62 mm").wait_for()
    assert [row.kind for row in bench.served.bench.record.rows()].count("photo") == 2
    for url, referer in phone.asked:
        assert url.removeprefix("blob:").startswith(bench.lan.origin), "nothing from elsewhere"
        assert len(url) < 200
        assert not referer
    assert "#" not in phone.url


def test_a_refused_picture_says_why_and_what_to_do(page: Any, phone: Any, gated: Start) -> None:
    bench = gated()
    refusal = PhotoResult(
        "lever_side",
        "refused",
        reason="blurred",
        sentence="The picture is blurred. Rest the camera, focus on the rim and take it again.",
    )
    bench.served.bench.desk._measure = lambda _: lambda data, view, **_: Looked(refusal, None)
    open_bench(page, bench)
    phone.goto(code_on(page))
    phone.locator("#take").wait_for()
    phone.locator("#picture").set_input_files(tip())
    phone.locator("#value").filter(has_text="Rest the camera").wait_for()
    phone.locator("#todo").filter(has_text="Take the picture again").wait_for()
    assert phone.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_a_picture_survives_a_lost_line_on_the_phone(page: Any, phone: Any, gated: Start) -> None:
    bench = gated()
    open_bench(page, bench)
    phone.goto(code_on(page))
    phone.locator("#take").wait_for()
    phone.context.set_offline(True)
    phone.locator("#picture").set_input_files(tip())
    phone.locator("#told").filter(has_text="still on this page").wait_for()
    phone.context.set_offline(False)
    phone.locator("#again").click()
    phone.locator("#value").filter(has_text="3.02 mm").wait_for()


def test_what_is_no_picture_is_said_and_another_can_be_taken(page: Any, phone: Any, gated: Start) -> None:
    bench = gated()
    open_bench(page, bench)
    phone.goto(code_on(page))
    phone.locator("#take").wait_for()
    phone.locator("#stored").set_input_files(
        {"name": "x.heic", "mimeType": "image/heic", "buffer": b"\0\0\0\x18ftypheic"}
    )
    phone.locator("#told").filter(has_text="set the camera to JPEG").wait_for()
    assert phone.locator("#take").is_visible()
    with phone.expect_response("**/phone/state"):
        pass
    assert "JPEG" in phone.locator("#told").inner_text(), "it stays until the next picture"


def test_unpairing_is_seen_on_the_phone_and_the_code_does_not_let_in_again(page: Any, phone: Any, gated: Start) -> None:
    bench = gated()
    open_bench(page, bench)
    address = code_on(page)
    phone.goto(address)
    phone.locator("#take").wait_for()
    page.get_by_role("button", name="Unpair").click()
    phone.locator("#told").filter(has_text="not paired any more").wait_for()
    assert phone.locator("#take").is_hidden()
    phone.goto(address)
    phone.locator("#told").filter(has_text="used up or too old").wait_for()
    page.locator("#new-code").click()
    phone.goto(code_on(page))
    phone.locator("#take").wait_for()
    phone.locator("#leave").click()
    phone.locator("#wait").wait_for()
    page.locator("#paired").filter(has_text="None is paired").wait_for()


def test_targets_on_the_phone_are_big(page: Any, phone: Any, gated: Start) -> None:
    bench = gated(plain=True)
    open_bench(page, bench)
    phone.goto(code_on(page))
    phone.locator("#take").wait_for()
    phone.locator(".caution").filter(has_text="Not encrypted").wait_for()
    box = phone.locator(".shutter").bounding_box()
    assert box["height"] >= 200
    assert box["width"] >= 300
    small = phone.evaluate(
        """[...document.querySelectorAll('button, label:has(input), select')].filter(e => e.offsetParent)
        .map(e => [e.textContent, e.offsetWidth, e.offsetHeight]).filter(([, w, h]) => w < 44 || h < 44)"""
    )
    assert small == []
