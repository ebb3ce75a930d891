"""The list of what makes the pages safe, point by point, each with its tests; and the points that have none elsewhere.

=====================================  =================================================================================
point                                  tests
=====================================  =================================================================================
loopback unless asked otherwise        live/test_guard.py::test_the_server_listens_on_loopback_only
                                       gates/test_login.py::test_the_network_is_closed_unless_it_is_asked_for
                                       gates/test_login.py::test_only_one_address_of_a_network_can_be_opened
Host allow-list, DNS rebinding         live/test_guard.py::test_a_foreign_host_name_gets_nothing
                                       gates/test_login.py::test_the_network_answers_under_its_own_name_only
Origin and token on every write        live/test_guard.py::test_nothing_is_written_from_elsewhere
(request forgery)                      gates/test_table.py::test_nobody_writes_without_the_page_s_secret_or_from_elsewhere
Origin of sockets and event streams    live/test_guard.py::test_the_sound_socket_is_guarded_too
                                       live/test_guard.py::test_nothing_is_read_for_a_page_of_elsewhere
                                       gates/test_login.py::test_sound_ends_with_the_session_and_with_the_turn
roles, refused unless allowed          gates/test_table.py::test_each_route_lets_in_whom_the_table_names_and_nobody_else
                                       gates/test_table.py::test_everything_that_is_served_stands_in_the_table_and_nothing_else
                                       gates/test_table.py::test_what_is_in_no_table_is_refused_though_the_application_serves_it
sessions end; cookies are strict       gates/test_people.py::test_a_session_ends_when_nothing_is_heard_of_it_and_in_any_case
                                       gates/test_people.py::test_changes_hold_at_once_for_open_sessions
                                       gates/test_login.py::test_a_login_opens_a_session_and_a_logout_ends_it
                                       live/test_guard.py::test_the_printed_address_lets_in_and_sets_a_strict_cookie
passphrases                            gates/test_people.py::test_a_passphrase_is_kept_as_a_costly_hash_with_its_own_salt
                                       gates/test_login.py::test_wrong_name_and_wrong_passphrase_are_told_alike_and_nothing_is_logged_of_them
rates                                  gates/test_login.py::test_guessing_is_slowed_down
                                       gates/test_login.py::test_no_header_moves_a_request_to_another_address
                                       gates/test_phone.py::test_tokens_cannot_be_tried_out
encryption on the network              gates/test_login.py::test_the_fingerprint_is_that_of_what_is_served
                                       gates/test_login.py::test_tls_older_than_1_2_is_not_spoken
pairing tokens: once, briefly, one job gates/test_phone.py::test_a_token_is_good_once_briefly_and_only_the_newest
                                       gates/test_phone.py::test_a_phone_sends_pictures_of_its_job_and_does_nothing_else
                                       gates/test_phone.py::test_a_revoked_phone_is_out_at_once
secrets in no address, log or referrer gates/test_phone.py::test_the_token_is_in_no_log_and_no_address
                                       gates/test_security.py::test_no_secret_is_ever_in_an_address
no CORS, strict policy, no sniffing,   live/test_guard.py::test_every_answer_carries_the_policy
no framing, no caching                 gates/test_security.py::test_no_page_has_code_of_its_own
markup in names, notes, file names     gates/test_security.py::test_markup_stays_text_on_every_page
                                       review/test_report.py::test_what_people_say_cannot_become_markup_or_turn_text_around
                                       keeping/test_certificate.py::test_what_people_say_cannot_become_markup
bidi and control characters            live/test_guard.py::test_a_name_full_of_markup_stays_text
media by hash only, no path outside    live/test_guard.py::test_no_path_leads_outside
                                       live/test_guard.py::test_only_pictures_of_the_live_job_are_shown
                                       gates/test_security.py::test_media_say_what_they_are
three picture formats, size first,     live/test_guard.py::test_only_sound_pictures_of_three_formats_are_taken
bombs are errors                       live/test_guard.py::test_what_is_too_large_is_refused_before_it_is_read
                                       live/test_guard.py::test_a_body_without_announced_size_is_cut_off_where_it_is_too_large
                                       vision/test_photo.py::test_a_bomb_is_an_error
                                       gates/test_phone.py::test_a_phone_s_pictures_are_looked_at_like_all_others
OpenCV gets arrays only                gates/test_security.py::test_opencv_decodes_no_file
WAV: PCM, sizes checked, ten minutes   speech/test_audio.py::test_faults_are_one_sentence
imports                                keeping/test_bag_attacks.py::test_archives_with_paths_that_lead_elsewhere_write_nothing
                                       keeping/test_bag_attacks.py::test_links_devices_and_names_alike_are_refused
                                       keeping/test_bag_attacks.py::test_archives_that_are_bombs_or_hold_links_or_twins
CSV cells                              keeping/test_lookups.py::test_cells_that_would_start_a_formula_are_defused
rights of files                        gates/test_people.py::test_the_file_is_its_owner_s_alone_and_holds_no_passphrase
                                       gates/test_people.py::test_sessions_outlive_a_start_and_are_kept_as_hashes
                                       gates/test_security.py::test_a_new_record_is_its_owner_s_alone
slow senders                           gates/test_security.py::test_who_sends_too_slowly_is_sent_away
anything else                          gates/test_fuzz.py::test_no_request_makes_the_server_fail
=====================================  =================================================================================
"""  # noqa: E501

from __future__ import annotations

import ast
import re
import socket
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from capture.bench.gate.access import LARGEST_BODY
from capture.bench.gate.visitors import write_secret
from capture.bench.page import uploads
from capture.bench.page.app import TABLE
from capture.bench.page.guard import HEADER
from capture.record import Record
from tests.gates.conftest import Gated
from tests.gates.test_table import example
from tests.live.test_guard import picture
from tests.review_pages.conftest import finished_job

Start = Callable[..., Gated]
ROOT = Path(__file__).parents[2]
NASTY = "<img src=x onerror=\"document.body.dataset.bad='yes'\"><script>document.body.dataset.bad='yes'</script>"


def test_every_test_of_the_list_is_there() -> None:
    named = re.findall(r"(\w+/test_\w+\.py)::(test_\w+)", __doc__ or "")
    assert len(named) > 40
    for file, name in named:
        tree = ast.parse((ROOT / "tests" / file).read_text("utf-8"))
        assert any(isinstance(node, ast.FunctionDef) and node.name == name for node in tree.body), (file, name)


def test_no_secret_is_ever_in_an_address() -> None:
    """No route takes a token or passphrase from its address, and no page puts one there but behind the ``#``."""
    assert not [rule.path for rule in TABLE.rules if "token" in rule.path or "secret" in rule.path]
    for path in (ROOT / "capture").rglob("*"):
        if path.suffix in {".py", ".js", ".html"} and "query_params" in (text := path.read_text("utf-8")):
            assert not re.search(r"query_params[^\n]*(token|secret|passphrase)", text), path
        if path.suffix == ".js":
            assert not re.search(r"[?&](token|secret|passphrase)=", path.read_text("utf-8")), path


def test_no_page_has_code_of_its_own(gated: Start) -> None:
    bench = gated()
    job = finished_job(bench.served.bench.record)
    pages = 0
    for rule in TABLE.rules:
        if rule.method != "GET":
            continue
        caller = bench.here() if rule.admits(None) or "phone" not in rule.who else bench.phone()
        answer = caller.ask(
            "GET", rule.path.replace("{job}", job) if "{job}" in rule.path else example(rule.path), Accept="text/html"
        )
        if not answer.headers.get("content-type", "").startswith("text/html"):
            continue
        pages += 1
        text = answer.data.decode()
        assert not re.search(r"<script(?![^>]* src=\"/)", text), rule.path
        assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:", text), rule.path
        assert not re.search(r"(src|href|action)=\"(https?:)?//", text), rule.path
        policy = answer.headers["content-security-policy"]
        assert "unsafe" not in policy
        assert "*" not in policy
    assert pages >= 7


def test_markup_stays_text_on_every_page(page: Any, gated: Start) -> None:
    bench = gated()
    desk = bench.served.bench.desk
    desk.open_job("lever_valve", NASTY[:110], NASTY[:110])
    desk.live.typed("stage as received")
    desk.live.typed("note " + NASTY)
    desk.live.typed("leaks " + NASTY)
    desk.live.photo(picture(), "image/png", "case_open", NASTY)
    job = desk.live.session.job
    page.goto(bench.server.address)
    page.locator("#facts").filter(has_text="onerror").wait_for()
    desk.finish()
    page.locator("#jobs").filter(has_text="onerror").wait_for()
    for path in ("/", "/review", f"/review/job/{job}", "/review/find"):
        page.goto(bench.server.origin + path)
        page.wait_for_load_state("networkidle") if path != "/" else page.locator("#jobs li").first.wait_for()
        assert page.evaluate("document.body.dataset.bad") is None, path
        assert page.locator("img[src=x]").count() == 0, path


def test_media_say_what_they_are(gated: Start) -> None:
    bench = gated()
    record = bench.served.bench.record
    job = finished_job(record)
    caller = bench.here()
    seen = set()
    for row in record.rows(job):
        for ref in row.media:
            answer = caller.ask("GET", f"/review/job/{job}/media/{ref.sha256}")
            if answer.status == 200:
                seen.add(answer.headers["content-type"])
                assert answer.headers["content-type"] == ref.media_type
                assert answer.headers["x-content-type-options"] == "nosniff"
            else:
                assert not ref.media_type.startswith(("audio/", "image/"))
    assert {"audio/wav", "image/jpeg"} <= seen


def test_opencv_decodes_no_file() -> None:
    """Pictures are decoded by Pillow, behind the list of formats and the cap; OpenCV is handed arrays."""
    for path in [*(ROOT / "capture").rglob("*.py"), *(ROOT / "vision").rglob("*.py")]:
        assert not re.search(r"\b(imread|imdecode|imreadmulti)\(", path.read_text("utf-8")), path


def test_a_new_record_is_its_owner_s_alone(tmp_path: Path) -> None:
    """Voices are personal data. A folder that somebody made keeps the rights that they gave it."""
    with Record.create(tmp_path / "deep" / "record"):
        assert stat.S_IMODE((tmp_path / "deep" / "record").stat().st_mode) == 0o700
    (tmp_path / "shared").mkdir(mode=0o750)
    with Record.create(tmp_path / "shared"):
        assert stat.S_IMODE((tmp_path / "shared").stat().st_mode) == 0o750


def test_who_sends_too_slowly_is_sent_away(gated: Start, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "_SLOWEST_S", {False: 0.5, True: 0.5})
    bench = gated(plain=True)
    caller = bench.here()
    head = [
        "POST /say HTTP/1.1",
        f"Host: {bench.local.hosts[0]}",
        f"Origin: {bench.local.origin}",
        f"Cookie: {bench.local.cookie}={caller.token}",
        f"{HEADER}: {write_secret(caller.token)}",
        f"Content-Length: {LARGEST_BODY}",
    ]
    with socket.create_connection(("127.0.0.1", bench.local.port), timeout=20) as line:
        line.sendall("\r\n".join([*head, "", "{"]).encode())
        assert b" 408 " in line.recv(4000).split(b"\r\n")[0]
