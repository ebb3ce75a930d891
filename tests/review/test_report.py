from __future__ import annotations

import base64
import re
from hashlib import sha256
from itertools import pairwise
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from capture.errors import UsageError
from capture.phrases import statements as s
from capture.record import Record
from capture.record.signing import Moment as Signing
from capture.record.signing import Signer, sign_job
from capture.review.describe import _WRITERS
from capture.review.report import make_report, report_html
from capture.review.wording import BIDI
from tests.review.conftest import Sample
from tests.review.reading import Node, Page
from tests.review.sample import JOB, START, Writer, check, gauge, stage, tone


def section(page: Page, heading: str) -> Node:
    return next(node for node in page.root.all("section") if node.attrs.get("aria-labelledby") == heading)


def row(sample: Sample, needle: str) -> Node:
    """The entry whose words were ``needle``: the first of its block."""
    block = next(b for b in sample.page.root.all("div", class_="block") if needle in b.text)
    return next(block.all("article"))


def test_the_page_is_whole_and_its_links_lead_somewhere(sample: Sample) -> None:
    page = sample.page
    assert page.faults == []
    ids = [node.attrs["id"] for node in page.root.all() if "id" in node.attrs]
    assert len(ids) == len(set(ids))
    links = [node.attrs["href"] for node in page.root.all("a")]
    assert {link[1:] for link in links} <= set(ids)
    assert all(link.startswith("#") for link in links)
    assert next(page.root.all("html")).attrs["lang"] == "en"


def test_every_row_of_the_job_is_on_the_page(sample: Sample) -> None:
    ids = {node.attrs["id"] for node in sample.page.root.all() if "id" in node.attrs}
    with Record.open(sample.folder, writing=False) as record:
        assert {f"row-{row.seq}" for row in record.rows(sample.job)} <= ids


def test_headings_leave_out_no_level_and_pictures_and_tables_are_described(sample: Sample) -> None:
    root = sample.page.root
    levels = [int(node.tag[1]) for node in root.all() if re.fullmatch("h[1-6]", node.tag)]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert all(node.attrs.get("alt") for node in root.all("img"))
    assert all(node.attrs.get("aria-label") for node in root.all("audio"))
    assert all(node.attrs.get("scope") for node in root.all("th"))


def test_identity_cautions_and_procedure_stand_at_the_top(sample: Sample) -> None:
    head = sample.page.root.one("header").text
    for text in ("K7-0412", "LV2", "R. Okafor", "Harbour bench 2", "HB-1187", "6 May 2031, 09:15:00 UTC+02:00", "1.0"):
        assert text in head
    assert "Depressurise before opening the case" in section(sample.page, "cautions").text


def test_the_verdict_counts_what_stands(sample: Sample) -> None:
    assert section(sample.page, "verdict").text.startswith(
        "✕ Not in order 2 entries not confirmed, 2 stops, 3 warnings. "
        "Besides, 2 earlier readings not within limits, followed by one that is."
    )
    assert "qualified person" in section(sample.page, "verdict").text
    tally = [node.text for node in sample.page.root.one("ul", class_="tally").all("li")]
    assert tally == [
        "11 ✓ within limits",
        "1 ✕ out of limits",
        "1 ? undecided",
        "2 ○ not confirmed",
        "1 – without limits",
        "2 replaced or withdrawn",
        "2 refused or not understood",
    ]


def test_warnings_come_gravest_first_once_each_and_lead_to_their_entries(sample: Sample) -> None:
    raised = [node.text for node in section(sample.page, "warnings").all("li")]
    words = [next(w for w in ("stop", "warning", "notice") if w in text[:12]) for text in raised]
    current = words[:-2]
    assert current == sorted(current, key=["stop", "warning", "notice"].index)
    assert len([text for text in raised if "Instrument overdue" in text]) == 1
    overdue = next(node for node in section(sample.page, "warnings").all("li") if "Instrument overdue" in node.text)
    assert len(list(overdue.all("a"))) == 6
    assert "On entries that were replaced" in section(sample.page, "warnings").text
    assert "150 psi" in raised[-2]


def test_the_words_as_heard_stand_beside_the_value_as_stored(sample: Sample) -> None:
    block = next(b for b in sample.page.root.all("div", class_="block") if "opening effort point nine" in b.text)
    assert block.one("blockquote").text == "“opening effort point nine inches of water”"
    item = block.one("article")
    assert item.one("strong", class_="value").text == "0.9 inH₂O"
    for text in (
        "✕ out of limits",
        "○ not confirmed",
        "limits 1.1 to 1.5 inH₂O",
        "± 0.0289 inH₂O (k = 2)",
        "no. W-3",
        "guard band (ISO",
    ):
        assert text in item.text


def test_a_correction_shows_what_it_replaced_and_both_can_be_played(sample: Sample) -> None:
    old = row(sample, "supply pressure one five zero p")
    new = row(sample, "correction supply pressure one three five p s i")
    assert old.has("class_", "gone")
    assert next(old.all("del")).text == "150 psi"
    assert f"Replaced by row {new.attrs['id'][4:]} at 09:18:49: 135 psi." in old.text
    assert next(new.all("strong", class_="value")).text == "135 psi"
    assert next(new.all("del")).text == "150 psi"
    assert "Takes the place of" in new.text
    for needle in ("supply pressure one five zero", "correction supply pressure"):
        block = next(b for b in sample.page.root.all("div", class_="block") if needle in b.text)
        assert block.one("audio").attrs["src"].startswith("data:audio/wav;base64,")


def test_a_withdrawn_note_is_struck_and_names_who_took_it_back(sample: Sample) -> None:
    note = row(sample, "note wrong label")
    assert next(note.all("del")).text == "wrong label"
    assert "Withdrawn by" in note.text


def test_a_doubtful_word_is_marked(sample: Sample) -> None:
    assert [node.text for node in sample.page.root.all("mark")] == ["s (?)"]
    assert "The word fifteen may also be fifty." in sample.html


def test_what_was_refused_or_not_understood_keeps_its_place_and_clip(sample: Sample) -> None:
    for needle, told in (("the kettle is on", "not understood"), ("opening effort five millimetres", "wrong unit")):
        block = next(b for b in sample.page.root.all("div", class_="block") if needle in b.text)
        assert told in block.text
        assert block.one("audio")


def test_several_statements_of_one_utterance_share_its_clip(sample: Sample) -> None:
    block = next(b for b in sample.page.root.all("div", class_="block") if "leaks none hose chafed" in b.text)
    assert len(list(block.all("article"))) == 2
    assert len(list(block.all("audio"))) == 1
    assert "from the words “hose chafed”" in block.text


def test_the_annotated_photo_comes_with_its_value_and_budget(sample: Sample) -> None:
    block = next(b for b in sample.page.root.all("div", class_="block") if "2.962 mm" in b.text)
    first, second = block.all("figure")
    assert first.text.startswith("Annotated picture")
    assert second.text.startswith("Picture as taken")
    table = block.one("table")
    assert [node.text for node in table.all("th")] == [
        "Source",
        "Value",
        "Unit",
        "u",
        "Sensitivity, mm per unit",
        "Contribution, mm",
        "Degrees of freedom",
    ]
    assert "depth of the target 0 mm 0.5 −0.021 0.0105 ∞" in table.text
    assert "Combined and expanded with k = 2: 0.042 mm" in block.text
    assert "distance mm 285.4" in block.text


def test_a_refused_photo_says_why(sample: Sample) -> None:
    block = next(b for b in sample.page.root.all("div", class_="block") if "not measurable" in b.text)
    assert "The lever tip is blurred" in block.text
    assert "⊘ not accepted" in block.text


def test_turns_kit_instruments_and_signatures(sample: Sample) -> None:
    turns = [node.text for node in section(sample.page, "turns").one("tbody").all("tr")]
    assert turns == [
        "Orifice Pressurised 1/4 turn 1/4 turn 1 1/2 turn",
        "Orifice Tuned 1/12 turn 1/12 turn 1 1/12 turn, in 1 move",
        "Adjusting spring Tuned 1/2 turn 1/2 turn 1 2 turns",
    ]
    kit = {node.text for node in section(sample.page, "kit").one("tbody").all("tr")}
    assert "Sealing ring 3 2 3 R9 ✕ 1 of the kit left over, 1 more came out than went in" in kit
    assert "Valve seat 1 1 1 S118 ✓ balanced" in kit
    assert "Mouthpiece tie 1 1 none expected – ✓ balanced" in kit
    gauges = [node.text for node in section(sample.page, "gauges").one("tbody").all("tr")]
    assert gauges[1] == "Effort gauge (water column) W-3 2031-04-30 ✕ overdue 5 row 6"
    signed = [node.text for node in section(sample.page, "signed").one("tbody").all("tr")]
    assert signed[0].startswith("Technician R. Okafor 6 May 2031")
    assert signed[1] == "Reviewer – – – not signed"


def test_a_key_signature_is_checked_and_what_came_after_it_is_told(record: Record) -> None:
    signer = Signer("N. Lind", Ed25519PrivateKey.generate())
    writer = Writer(record)
    writer.open(technician="T")
    writer.finish()
    sign_job(record, JOB, "reviewer", signer, writer.procedure, Signing("2031-05-06T10:00:00+02:00", "s-2"))
    signed = [node.text for node in section(Page.of(report_html(record, JOB)), "signed").one("tbody").all("tr")]
    assert signed[1].startswith("Reviewer N. Lind 6 May 2031, 10:00:00 UTC+02:00")
    assert signed[1].endswith("✓ signature holds")
    writer.say((s.NoteSaid, "note too late", {"text": "too late"}))
    signed = [node.text for node in section(Page.of(report_html(record, JOB)), "signed").one("tbody").all("tr")]
    assert signed[1].endswith("? signature holds, 1 entry came after it")


def test_advice_never_comes_without_its_caution(sample: Sample) -> None:
    advice = list(sample.page.root.all("p", class_="advice"))
    assert advice
    assert all("For a real valve use the maker's manual" in node.text for node in advice)


def test_the_proof_names_the_head_and_how_to_check(sample: Sample) -> None:
    with Record.open(sample.folder, writing=False) as record:
        head = record.head()
        files = {ref.sha256 for r in record.rows(sample.job) for ref in r.media}
    proof = section(sample.page, "proof")
    assert head.hash in proof.text
    assert f"benchwitness verify FOLDER --head {head.hash[:16]}" in proof.text
    assert files <= {node.text for node in proof.all("code")}


def test_rules_and_sources_are_explained_once(sample: Sample) -> None:
    decided = section(sample.page, "decided").text
    assert decided.count("ISO 14253-1:2017") == 1
    assert "Benchwitness demonstration scenario, invented" in decided


def test_the_policy_allows_this_pages_own_style_and_script_and_nothing_else(sample: Sample) -> None:
    policy = sample.page.root.one("meta", **{"http-equiv": "Content-Security-Policy"}).attrs["content"]
    for tag in ("style", "script"):
        found = re.search(f"<{tag}>(.*?)</{tag}>", sample.html, re.DOTALL)
        assert found is not None
        digest = base64.b64encode(sha256(found[1].encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy
    assert "default-src 'none'" in policy
    assert not re.search(r"https?://", sample.html)
    assert not [n for n in sample.page.root.all() if any(k.startswith("on") or k == "style" for k in n.attrs)]


def test_without_inlined_media_the_page_points_into_the_record(sample: Sample) -> None:
    with Record.open(sample.folder, writing=False) as record:
        page = Page.of(report_html(record, sample.job, inline_media=False))
    sources = [node.attrs["src"] for node in page.root.all() if "src" in node.attrs]
    assert sources
    assert all((sample.folder / source).is_file() for source in sources)


def test_an_unknown_job_is_refused(record: Record) -> None:
    with pytest.raises(UsageError, match="no job nowhere"):
        report_html(record, "nowhere")


def test_what_people_say_cannot_become_markup_or_turn_text_around(record: Record) -> None:
    writer = Writer(record)
    evil = "<script>alert(1)</script>\u202egnp.exe\u2066\x07\"'&"
    writer.open(technician=evil, workshop="W", reference=evil, settings={evil: evil})
    writer.say((s.NoteSaid, "note x", {"text": evil}))
    writer.say((s.IdentitySaid, "serial", {"field": "serial", "value": evil}))
    html = report_html(record, JOB)
    assert html.count("<script>") == 1
    assert "&lt;script&gt;alert(1)" in html
    assert not BIDI & set(html)
    assert "\x07" not in html
    assert Page.of(html).faults == []


def test_media_that_are_missing_or_changed_are_named_in_their_place(record: Record) -> None:
    writer = Writer(record)
    writer.open(technician="T")
    writer.say(stage("as_received"))
    writer.say(check("leaks none", "leak", "none"))
    first, second = (ref for r in record.rows(JOB) for ref in r.media if ref.kind == "clip")
    record.media_path(first.sha256).unlink()
    record.media_path(second.sha256).write_bytes(b"other")
    report = make_report(record, JOB)
    assert len(report.unshown) == 2
    assert report.html.count("Clip cannot be played:") == 2
    assert "the file is missing" in report.html
    assert "not what it was" in report.html
    assert str(record.folder) not in report.html


def test_sound_removed_on_purpose_is_told_as_such(record: Record) -> None:
    writer = Writer(record)
    writer.open(technician="T")
    writer.say(stage("as_received"))
    (clip,) = (ref for r in record.rows(JOB) for ref in r.media if ref.kind == "clip")
    record.media_path(clip.sha256).unlink()
    data = {"files": [clip.to_body()], "person": "N. Lind", "rule": {"audio_older_than_days": 30}}
    at = "2032-01-01T10:00:00+00:00"
    record.append(job=JOB, kind="purged", body={"data": data}, at=at, mono=0, session="s-2")
    report = make_report(record, JOB)
    assert report.unshown == ()
    assert "it was removed on purpose on 1 January 2032" in report.html
    assert "Sound removed on purpose 1 file" in Page.of(report.html).root.text


def test_pictures_that_cannot_be_shown_do_not_stop_the_report(record: Record) -> None:
    media = [
        record.put_media(b"no picture", "photo", "image/jpeg"),
        record.put_media(b"<svg/>", "overlay", "image/svg+xml"),
    ]
    body = {"kind": "photo", "status": "not_accepted", "data": {"outcome": "not_measured"}}
    record.append(job="J", kind="photo", body=body, at=START, mono=0, session="s", media=media)
    report = make_report(record, "J")
    assert len(report.unshown) == 2
    assert "cannot be read as a picture" in report.html
    assert "<svg/>" not in report.html


def test_a_job_without_procedure_or_end_is_still_told(record: Record) -> None:
    clip = record.put_media(tone(0.5, 200), "clip", "audio/wav")
    body = {"kind": "reading", "status": "accepted", "subject": "creep_rate", "words": "creep rate two",
            "data": {"field": "creep_rate", "value": "-2", "unit": "mbar", "via": "voice"}}  # fmt: skip
    record.append(job="J", kind="reading", body=body, at=START, mono=0, session="s", media=[clip])
    record.append(job="J", kind="seal", body={"data": {"by": "N.", "ok": True}}, at=START, mono=1, session="s")
    page = Page.of(report_html(record, "J"))
    text = page.root.text
    assert "Creep rate −2 mbar" in text
    assert "The job was not ended." in text
    assert "Unit not identified" in text
    assert "Seal" in text


def test_another_procedure_goes_the_same_way(record: Record) -> None:
    writer = Writer(record, "pressure_reducer")
    writer.open(technician="T")
    procedure = writer.procedure
    writer.say(stage(procedure.stages[0].id))
    writer.say(gauge(procedure.instruments[0].id, "G-1", None))
    for reading in procedure.readings:
        fields = {"field": reading.id, "value": reading.plausible_low, "unit": reading.unit}
        writer.say((s.ReadingSaid, reading.spoken[0], fields))
    writer.finish()
    page = Page.of(report_html(record, JOB))
    assert page.faults == []
    assert all(reading.name in section(page, "values").text for reading in procedure.readings)
    assert all(part.name in section(page, "kit").text for part in procedure.parts)


def test_a_job_that_was_left_handed_over_and_opened_again(record: Record) -> None:
    writer = Writer(record)
    writer.open(technician="T. Brandt")
    writer.say(stage("as_received"))
    writer.finish()
    at = "2031-05-07T08:00:00+02:00"

    def mark(kind: str, **data: str) -> None:
        record.append(job=JOB, kind=kind, body={"kind": kind, "data": data}, at=at, mono=0, session="s-2")

    mark("reopened", technician="N. Lind", reason="a ring was left over")
    mark("handed_over", technician="R. Okafor", **{"from": "N. Lind"})
    mark("paused", why="left")
    mark("resumed", technician="R. Okafor")
    page = Page.of(report_html(record, JOB))
    assert "Technician T. Brandt, N. Lind, R. Okafor" in page.root.one("header").text
    assert "the job was not ended" in section(page, "verdict").text
    for words in ("opened again after its end by N. Lind reason a ring was left over", "from N. Lind to R. Okafor"):
        assert words in page.root.text
    assert "7 May 2031 08:00:00" in page.root.text
    before = len(list(section(page, "warnings").one("ol").all("li")))
    writer.seconds += 90_000
    writer.finish()
    page = Page.of(report_html(record, JOB))
    assert "the job was not ended" not in section(page, "verdict").text
    current, settled = section(page, "warnings").all("ol")
    assert len(list(current.all("li"))) == before
    assert list(settled.all("li"))


def test_typed_words_are_told_apart_from_heard_ones(record: Record) -> None:
    heard = {"text": "note salt hose chafed", "engine": "keyboard", "words": []}
    for kind, words in (("note", "note salt"), ("check", "hose chafed")):
        body = {"kind": kind, "status": "accepted", "words": words, "data": {"text": "salt"}, "heard": heard}
        record.append(job="J", kind=kind, body=body, at=START, mono=0, session="s")
    block = Page.of(report_html(record, "J")).root.one("div", class_="block")
    assert "typed or chosen by hand: note salt hose chafed" in block.text
    assert not list(block.all("blockquote"))
    assert len(list(block.all("article"))) == 2


ANY: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers(-999, 999) | st.floats(-1e9, 1e9) | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=5,
)
KINDS = st.sampled_from([*_WRITERS, "purged", "anything"])
BODIES = st.fixed_dictionaries(
    {},
    optional={
        **dict.fromkeys(("stage", "subject", "status", "words", "verdict", "warnings", "advice", "replaces"), ANY),
        "heard": ANY | st.fixed_dictionaries({"words": st.lists(ANY), "doubts": ANY, "text": ANY}),
        "data": ANY
        | st.dictionaries(
            st.sampled_from(["field", "value", "unit", "amount", "expanded", "via", "turns", "due", "lot", "missing"])
            | st.sampled_from(["measurement", "cautions", "procedure", "settings", "person", "role", "key"]),
            ANY,
        ),
    },
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(KINDS, BODIES), min_size=1, max_size=4), st.uuids())
def test_whatever_rows_hold_a_report_comes_out(record: Record, rows: list[tuple[str, Any]], job: Any) -> None:
    for kind, body in rows:
        record.append(job=str(job), kind=kind, body=body, at=START, mono=0, session="s")
    page = Page.of(report_html(record, str(job)))
    assert page.faults == []
