"""The owner's certificate: what stands on it, when there is none, and what its PDF and its QR code hold."""

from __future__ import annotations

import html
import io
import re
import shutil
import subprocess
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pypdf
import pytest
from click.testing import CliRunner
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from dateutil.relativedelta import relativedelta
from PIL import Image

from capture.commands.certificate import command
from capture.errors import UsageError
from capture.judge import entry_from_body, entry_to_body
from capture.judge.entry import Warned
from capture.record import Record, verify
from capture.record.decisions import decision_body
from capture.record.keys import key_id, readable
from capture.record.rows import Head
from capture.record.signing import Signer, sign_job
from capture.record.trust import Trust
from capture.review.certificate import Certificate, Checked, _later, _two_digits, certify
from capture.review.certificate_file import written
from capture.review.certificate_html import head_code
from tests.keeping.good_job import REVIEWER, TECHNICIAN, TRUST, good_job, signed_job
from tests.keeping.world import LEVER, Job, moment
from tests.review.sample import JOB, check, reading, sample_job, stage

AT = "2031-05-07T10:00:00.000+02:00"


def sheet_of(record: Record, job: str = JOB, trust: Trust = TRUST) -> Certificate:
    checked = Checked.of(verify(record.folder), AT)
    return certify(record, job, checked, trust, AT)


@pytest.fixture(scope="module")
def released(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Certificate]:
    folder = tmp_path_factory.mktemp("released") / "record"
    with Record.create(folder) as record:
        signed_job(record)
        return folder, sheet_of(record)


@pytest.fixture(scope="module")
def pdf(released: tuple[Path, Certificate]) -> bytes:
    return written(released[1], ".pdf")


def _words(page: bytes) -> str:
    body = re.sub(r"<style>.*?</style>|<title>.*?</title>", " ", page.decode(), flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", body)).replace("\u00a0", " ").split())


def text_of(pdf: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).replace("\u00a0", " ").split())


def test_a_job_in_order_is_released(released: tuple[Path, Certificate]) -> None:
    sheet = released[1]
    assert sheet.reasons == ()
    assert (sheet.title, sheet.due) == ("Service certificate", "6 May 2032")
    assert sheet.unit == (("Serial number", "K7-0412"), ("Type", "LV2"))
    effort = next(line for line in sheet.values if line.name == "Opening effort")
    assert effort.received is not None
    assert effort.left is not None
    assert (effort.received.text, effort.left.text) == ("0.8\u00a0inH₂O", "1.32\u00a0inH₂O")
    assert (effort.left.stage, effort.left.limits) == ("Repeat after repressurising", "1.1 to 1.5\u00a0inH₂O")
    assert effort.left.gauge == "Effort gauge (water column) no. W-3, calibrated to 2031-08-31"
    height = next(line for line in sheet.values if line.name.startswith("Lever height"))
    assert height.received is None
    assert height.left is not None
    assert height.left.stage == "Cover on"
    assert {line.name: (line.fitted, line.removed, line.lots) for line in sheet.parts}["Sealing ring"] == (3, "3", "R9")
    leak = next(line for line in sheet.checks if line.name.startswith("Leaks"))
    assert (leak.answer, leak.before) == ("none", "at the mouthpiece")
    assert any("mouthpiece" in remark and remark.endswith("Put right later.") for remark in sheet.remarks)


@pytest.mark.parametrize("suffix", [".html", ".pdf"])
def test_everything_stands_on_it_in_reading_order(released: tuple[Path, Certificate], pdf: bytes, suffix: str) -> None:
    sheet = released[1]
    text = text_of(pdf) if suffix == ".pdf" else _words(written(sheet, suffix))
    order = [
        "Service certificate", "K7-0412", "Harbour bench 2", "HB-1187", "R. Okafor",
        "As received", "0.8 inH", "As left", "1.32 inH", "1.1 to 1.5 inH", "W-3", "mouthpiece",
        "Sealing ring", "R9", "6 May 2032", "Put right later", "Technician", readable(TECHNICIAN.key)[:39],
        "Reviewer", "Ines Møller", readable(REVIEWER.key)[:39], "does not replace the maker's manual", "7 May 2031",
        "63 rows", "no fault found", readable(sheet.checked.head.hash)[:39], JOB,
    ]  # fmt: skip
    at = 0
    for words in order:
        at = text.find(words, at)
        assert at >= 0, f"{words!r} is missing or stands too early in {text}"
    assert "not released" not in text.casefold()


def test_the_pdf_is_a4_says_its_language_and_carries_its_fonts(pdf: bytes) -> None:
    """Embedded fonts and a stated language are what archives ask for (ISO 19005-1, 6.3.4, 6.8.4; memory)."""
    document = pypdf.PdfReader(io.BytesIO(pdf))
    assert document.trailer["/Root"]["/Lang"] == "en-GB"
    assert document.metadata is not None
    assert document.metadata.title == "Service certificate K7-0412 LV2"
    fonts: dict[str, Any] = {}
    for page in document.pages:
        assert [round(float(side) / 72 * 25.4) for side in page.mediabox[2:]] == [210, 297]
        fonts |= {name: font.get_object() for name, font in page["/Resources"]["/Font"].items()}
    assert fonts
    assert all("/FontFile2" in font["/FontDescriptor"] for font in fonts.values())


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler-utils is not installed")
def test_printed_it_is_grey_and_its_qr_code_is_the_head(
    released: tuple[Path, Certificate], pdf: bytes, tmp_path: Path
) -> None:
    folder, sheet = released
    (tmp_path / "c.pdf").write_bytes(pdf)
    subprocess.run(["pdftoppm", "-r", "100", "-png", tmp_path / "c.pdf", tmp_path / "page"], check=True)
    pages = [np.asarray(Image.open(path).convert("RGB")).astype(int) for path in sorted(tmp_path.glob("page*.png"))]
    assert all(np.ptp(page, axis=2).max() == 0 for page in pages)
    found, *_ = cv2.QRCodeDetector().detectAndDecode(pages[-1].astype(np.uint8))
    assert found.lower() == sheet.checked.head.hash
    assert verify(folder, head=found).ok


def test_the_html_needs_nothing_else_and_its_code_is_the_heads(released: tuple[Path, Certificate]) -> None:
    page = written(released[1], ".html").decode()
    assert "src=" not in page
    assert "href=" not in page
    assert "http" not in page.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")
    out = io.BytesIO()
    head_code(released[1].checked.head.hash).save(out, kind="png", scale=4)
    picture = cv2.imdecode(np.frombuffer(out.getvalue(), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0].lower() == released[1].checked.head.hash


def test_a_job_full_of_faults_is_not_released_and_every_reason_is_named(record: Record) -> None:
    sample_job(record)
    sheet = sheet_of(record)
    assert sheet.due == "Not set: the unit is not released."
    said = "\n".join(sheet.reasons)
    for words in (
        "Sealing ring: 2 of 3 fitted",
        "W-3 was due on 2031-04-30",
        "(row 41): not confirmed",
        "was not measured: The lever tip is blurred",
        "Nobody has signed as Technician",
        "Nobody has signed as Reviewer",
    ):
        assert words in said
    text = text_of(written(sheet, ".pdf"))
    assert text.count("NOT RELEASED – THIS IS NOT A CERTIFICATE") == len(
        pypdf.PdfReader(io.BytesIO(written(sheet, ".pdf"))).pages
    )
    for whole in (text, _words(written(sheet, ".html"))):
        assert "This is not a certificate. The unit is not released" in whole
        assert "Service certificate" not in whole


def test_what_signatures_must_be(record: Record) -> None:
    w = good_job(record)
    assert set(sheet_of(record).reasons) == {
        "Nobody has signed as Technician with a key.",
        "Nobody has signed as Reviewer with a key.",
        "The job is not signed.",
    }
    sign_job(record, JOB, "technician", TECHNICIAN, w.procedure, moment())
    assert sheet_of(record).reasons == ("Nobody has signed as Reviewer with a key.",)
    stranger = Signer(REVIEWER.person, Ed25519PrivateKey.generate())
    sign_job(record, JOB, "reviewer", stranger, w.procedure, moment())
    (reason,) = sheet_of(record).reasons
    assert "the key is unknown here" in reason
    (reason,) = sheet_of(record, trust=Trust({**TRUST.keys, stranger.key: "Somebody Else"})).reasons
    assert "known here as that of Somebody Else" in reason
    sign_job(record, JOB, "reviewer", REVIEWER, w.procedure, moment())
    assert sheet_of(record).released, "who signs again takes the place of the earlier signature"


def test_an_entry_after_the_signatures_takes_the_release_back(record: Record) -> None:
    signed_job(record)
    note = Job(record)
    note.id = JOB
    note.entry("note", None, {"text": "one more thing"})
    reasons = sheet_of(record).reasons
    assert len(reasons) == 2
    assert all("1 entry came after" in reason for reason in reasons)


def test_a_value_out_of_limits_or_a_job_without_end_is_not_released(record: Record) -> None:
    w = good_job(record)
    w.say(stage("repeat_check"))
    w.say(reading("opening effort one point seven inches of water", "opening_effort", "1.7", "inH2O"))
    w.say(check("leaks at the hose", "leak", "hose"))
    said = "\n".join(sheet_of(record).reasons)
    assert "Opening effort 1.7\u00a0inH₂O, Repeat after repressurising (row 61): out of limits." in said
    assert "the answer is at the hose" in said
    record.append(
        job=JOB, kind="reopened", body={"kind": "reopened", "data": {"technician": "R. Okafor"}},
        at="2031-05-06T12:00:00Z", mono=1.0, session="s-2",
    )  # fmt: skip
    assert "The job is not finished." in sheet_of(record).reasons


def test_a_reviewer_settles_warnings_but_neither_stops_nor_limits(record: Record) -> None:
    signed_job(record)

    def reasons(severity: Any, outcome: str) -> list[str]:
        warned = Warned("doubtful", severity, f"A {severity} about this.", "Look.")
        job = Job(record, serial="")
        job.id = JOB
        reading = job.reading("opening_effort", "1.3", stage="repeat_check", outcome=outcome)
        row = record.row(reading.id)
        entry = entry_from_body(row.body)
        body = entry_to_body(replace(entry, warnings=(warned,), replaces=row.id))
        row = job.append("reading", body)
        before = [why for why in sheet_of(record).reasons if "came after" not in why]
        job.append("reviewed", decision_body(row, "accepted", "", REVIEWER.person, "reviewer"))
        after = [why for why in sheet_of(record).reasons if "came after" not in why]
        assert set(after) <= set(before)
        assert len(before) == 1 + (outcome == "fail")
        job.entry("withdrawn", "opening_effort", {"id": row.id}, replaces=row.id)
        return after

    assert reasons("warning", "pass") == []
    assert reasons("stop", "pass") == ["Stop: A stop about this."]
    (left,) = reasons("warning", "fail")
    assert "out of limits" in left


def test_a_rejected_entry_must_be_taken_again(record: Record) -> None:
    good_job(record)
    row = next(row for row in record.rows(JOB) if row.kind == "reading" and row.body["stage"] == "covered")
    record.append(
        job=JOB, kind="reviewed", body=decision_body(row, "rejected", "not audible", REVIEWER.person, "reviewer"),
        at="2031-05-06T12:00:00Z", mono=1.0, session="s-2",
    )  # fmt: skip
    assert any("Lever height" in reason and "rejected in review" in reason for reason in sheet_of(record).reasons)


def test_a_record_that_does_not_prove_itself_releases_nothing(record: Record) -> None:
    signed_job(record)
    photo = next(ref for row in record.rows(JOB) for ref in row.media if ref.kind == "photo")
    record.media_path(photo.sha256).write_bytes(b"another")
    (reason,) = sheet_of(record).reasons
    assert "does not prove itself" in reason
    old = replace(Checked.of(verify(record.folder), AT), faults=0, head=Head(3, "0" * 64))
    (reason,) = certify(record, JOB, old, TRUST, AT).reasons
    assert "verify again" in reason


def test_what_people_say_cannot_become_markup(record: Record) -> None:
    job = Job(record, technician="<b>Ada</b> & \u202ekoorB", serial="王-7 <img src=x>")
    job.reading("opening_effort", "1.3")
    sheet = sheet_of(record, job.id)
    page = written(sheet, ".html").decode()
    assert "<img" not in page
    assert "<b>" not in page
    assert "\u202e" not in page
    assert "王-7" in page
    text = text_of(written(sheet, ".pdf"))
    assert "<b>Ada</b> & koorB" in text
    assert "?-7 <img src=x>" in text
    assert "? may stand for a character that cannot be printed here." in text


def test_a_job_with_nothing_in_it_still_gets_its_sheet(record: Record) -> None:
    job = Job(record, serial="")
    sheet = sheet_of(record, job.id)
    assert {"The unit is not identified.", "The job is not finished."} <= set(sheet.reasons)
    for suffix in (".pdf", ".html"):
        assert written(sheet, suffix)


@pytest.mark.parametrize("months", [1, 6, 12, 13, 36])
def test_the_due_day_is_the_same_day_of_a_later_month(months: int) -> None:
    """Against dateutil's relativedelta, which ends at a shorter month's last day."""
    for day in range(0, 1500, 7):
        start = date(2027, 12, 25) + timedelta(days=day)
        assert _later(start, months) == start + relativedelta(months=months)


@pytest.mark.parametrize(
    ("expanded", "shown"), [("0.578", "0.58"), ("0.0289", "0.029"), ("0.12", "0.12"), ("1.005", "1.1"), (None, None)]
)
def test_uncertainties_have_two_digits_and_are_not_made_smaller(expanded: str | None, shown: str | None) -> None:
    assert _two_digits(expanded) == shown


def test_the_command(released: tuple[Path, Certificate], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, sheet = released
    keys = tmp_path / "keys"
    monkeypatch.setenv("BENCHWITNESS_KEYS", str(keys))
    monkeypatch.chdir(tmp_path)

    def run(*arguments: str) -> Any:
        return CliRunner().invoke(command, [*arguments, "--record", str(folder)], standalone_mode=False)

    told = run(JOB[-6:])
    assert told.return_value == 1
    assert told.stderr.count("the key is unknown here") == 2
    assert "Not released" in text_of((tmp_path / f"certificate-{JOB}.pdf").read_bytes())
    keys.mkdir()
    (keys / "trusted.txt").write_text("".join(f"{key} {person}\n" for key, person in TRUST.keys.items()), "utf-8")
    told = run(JOB, "--out", "a.pdf", "--out", "a.html", "--json")
    assert told.return_value == 0
    assert sheet.checked.head.hash in told.stdout
    assert "Service certificate" in text_of((tmp_path / "a.pdf").read_bytes())
    assert isinstance(run(JOB, "--out", "a.pdf").exception, UsageError)
    assert isinstance(run(JOB, "--out", "a.docx").exception, UsageError)
    assert isinstance(run("nonsense").exception, UsageError)


def test_keys_in_the_workshops_folder_are_known(tmp_path: Path) -> None:
    from capture.record.keys import new_key
    from capture.record.trust import trusted

    key = new_key(tmp_path, "Ada Brook", "three plain words")
    assert trusted(tmp_path).doubt(key.id, "ada  brook") is None
    assert trusted(tmp_path).doubt(key_id(b"0" * 32), "Ada Brook") is not None
    assert LEVER.interval_months == 12
