"""Bags: the outer form against the library of those who wrote the standard, the inner proofs, and moving jobs."""

from __future__ import annotations

import json
import shutil
import subprocess
import zipfile
from collections.abc import Callable
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import bagit
import pytest

from capture.errors import EnvironmentFault, IntegrityError, UsageError
from capture.record import MediaRef, Record, verify
from capture.record import bag as bag_module
from capture.record import bag_format as form
from capture.record.admin import job_rows
from capture.record.bag import export_bag
from capture.record.bag_import import import_bag, opened_bag
from capture.record.bulk import Draft, append_all
from capture.record.check_proofs import check_proofs
from capture.record.merge import merge_record
from capture.record.origin import layers, with_origin
from capture.record.retention import old_sound, purge
from capture.record.signatures import record_signatures
from capture.record.signing import Signer, digest_of, sign_job
from tests.keeping.world import LEVER, START, Job, draft, moment, usual_job

AT = "2031-06-01T12:00:00.000+02:00"


@pytest.fixture
def other(tmp_path: Path) -> Record:
    """Another workshop's record, with a job of its own."""
    opened = Record.create(tmp_path / "other")
    usual_job(opened, serial="Z9-0001")
    return opened


def bagged(record: Record, target: Path, *jobs: str, **how: object) -> Path:
    export_bag(record, jobs or [one.job for one in record.jobs()], target, at=AT, **how)  # type: ignore[arg-type]
    return target


def test_the_library_of_congress_library_validates_it(
    record: Record, tmp_path: Path, signer: Callable[[str], Signer]
) -> None:
    """bagit (https://github.com/LibraryOfCongress/bagit-python) checks RFC 8493's structure and digests."""
    job = usual_job(record)
    sign_job(record, job.id, "reviewer", signer("Ben Carr"), LEVER, moment())
    path = bagged(record, tmp_path / "bag", source="North\nQuay", reports={job.id: "<html></html>"})
    bag = bagit.Bag(str(path))
    assert bag.validate()
    assert bag.version_info == (1, 0)
    assert bag.info["Source-Organization"] == "North Quay"
    assert bag.info["Bagging-Date"] == "2031-06-01"
    names = {file.relative_to(path).as_posix() for file in path.rglob("*") if file.is_file()}
    assert {form.job_path(job.id), form.report_path(job.id), form.RECORD, form.LINKS, form.README} < names
    assert sum(name.startswith("data/media/") for name in names) == 4
    assert sum(name.startswith(("data/keys/", "data/signatures/")) for name in names) == 3


def test_the_reports_of_a_zip_are_one_bag_in_one_folder(record: Record, tmp_path: Path) -> None:
    usual_job(record)
    path = bagged(record, tmp_path / "bag.zip")
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        archive.extractall(tmp_path / "out")
    assert [entry.name for entry in (tmp_path / "out").iterdir()] == [form.FOLDER_IN_ZIP]
    assert bagit.Bag(str(tmp_path / "out" / form.FOLDER_IN_ZIP)).validate()
    again = bagged(record, tmp_path / "again.zip")
    assert again.read_bytes() == path.read_bytes()


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
def test_openssl_checks_a_signature_as_the_readme_says(
    record: Record, tmp_path: Path, signer: Callable[[str], Signer]
) -> None:
    job = usual_job(record)
    row = sign_job(record, job.id, "reviewer", signer("Ben Carr"), LEVER, moment())
    data = bagged(record, tmp_path / "bag") / "data"
    key = data / "keys" / f"{row.body['data']['key']}.pem"
    files = [data / "signatures" / f"{row.id}.{end}" for end in ("statement", "sig")]
    how = ["-verify", "-rawin", "-pubin", "-inkey", key, "-in", files[0], "-sigfile", files[1]]
    command = ["openssl", "pkeyutl", *how]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    files[0].write_bytes(files[0].read_bytes() + b" ")
    assert subprocess.run(command, capture_output=True, check=False).returncode != 0


def test_the_rows_can_be_checked_by_a_few_lines_of_other_code(record: Record, tmp_path: Path) -> None:
    """As README.txt in the bag says, with the standard library alone (its keys are ASCII, its numbers whole here)."""
    one, two = Job(record), Job(record)
    two.entry("note", None, {"text": "between"})
    one.end()
    data = bagged(record, tmp_path / "bag", one.id) / "data"
    rows = [json.loads(line) for line in (data / "jobs" / f"{one.id}.jsonl").read_text().splitlines()]
    links = [json.loads(line) for line in (data / "links.jsonl").read_text().splitlines()]

    def canonical(value: object) -> bytes:
        return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()

    for row in rows:
        row["body"] = sha256(canonical(row["body"])).hexdigest()
    chain = sorted(rows + links, key=lambda row: row["seq"])
    for before, row in zip([None, *chain], chain, strict=False):
        envelope = {key: value for key, value in row.items() if key != "hash"}
        assert sha256(canonical(envelope)).hexdigest() == row["hash"]
        assert before is None or (before["seq"] + 1, before["hash"]) == (row["seq"], row["prev"])
    assert len(links) == 3
    assert "between" not in (data / "links.jsonl").read_text()


def test_import_keeps_both_proofs(
    record: Record, other: Record, tmp_path: Path, signer: Callable[[str], Signer]
) -> None:
    job = usual_job(record)
    usual_job(record, days=1)
    sign_job(record, job.id, "reviewer", signer("Ben Carr"), LEVER, moment(2))
    path = bagged(record, tmp_path / "bag.zip", job.id, source="North Quay")
    head = other.head()
    done = import_bag(other, path, moment(3))
    assert (done.new, done.longer, done.known) == ((job.id,), (), ())
    ours, theirs = job_rows(record, job.id), job_rows(other, job.id)
    assert done.rows == len(theirs) == len(ours) + 1
    assert theirs[0].prev == head.hash
    for mine, yours in zip(ours, theirs[:-1], strict=True):
        assert (mine.id, mine.kind, mine.at, mine.mono, mine.session) == (
            *(yours.id, yours.kind, yours.at, yours.mono, yours.session),
        )
        now, before = layers(yours)
        assert (before.seq, before.prev, before.hash, before.body) == (mine.seq, mine.prev, mine.hash, mine.body)
        assert now.hash != before.hash
        for ref in mine.media:
            assert other.read_media(ref.sha256) == record.read_media(ref.sha256)
    assert theirs[-1].kind == "imported"
    assert theirs[-1].body["data"]["head"] == {"seq": record.head().seq, "hash": record.head().hash}
    assert theirs[-1].body["data"]["source"] == "North Quay"
    assert verify(other.folder).ok
    assert check_proofs(other.folder).faults == ()
    (signature,) = record_signatures(other)
    assert signature.holds
    assert signature.after == ()


def test_importing_twice_changes_nothing(record: Record, other: Record, tmp_path: Path) -> None:
    job = usual_job(record)
    path = bagged(record, tmp_path / "bag")
    import_bag(other, path, moment())
    head = other.head()
    done = import_bag(other, path, moment())
    assert (done.new, done.known, done.rows) == ((), (job.id,), 0)
    assert import_bag(record, path, moment()).known == (job.id,)
    assert other.head() == head


def test_an_import_that_broke_off_is_done_again(
    record: Record, other: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, two = usual_job(record), usual_job(record)
    path = bagged(record, tmp_path / "bag")
    put, left = other.put_media, [5]

    def full(content: bytes, kind: str, media_type: str) -> MediaRef:
        left[0] -= 1
        if left[0] < 0:
            raise EnvironmentFault("the disk is full; free some space and do it again.")
        return put(content, kind, media_type)

    with monkeypatch.context() as broken:
        broken.setattr(other, "put_media", full)
        with pytest.raises(EnvironmentFault, match="disk is full"):
            import_bag(other, path, moment())
    assert verify(other.folder).ok
    assert [job.job for job in other.jobs()][1:] == [one.id]
    done = import_bag(other, path, moment())
    assert (done.new, done.known) == ((two.id,), (one.id,))
    assert verify(other.folder).ok


def test_a_job_that_went_on_is_continued(
    record: Record, other: Record, tmp_path: Path, signer: Callable[[str], Signer]
) -> None:
    job = usual_job(record)
    import_bag(other, bagged(record, tmp_path / "one"), moment())
    usual_job(other)
    job.entry("note", None, {"text": "one more look"}, media=[job.clip(b"later")])
    sign_job(record, job.id, "reviewer", signer("Ben Carr"), LEVER, moment(2))
    done = import_bag(other, bagged(record, tmp_path / "two"), moment())
    assert (done.new, done.longer, done.rows) == ((), (job.id,), 4)
    (signature,) = record_signatures(other)
    assert (signature.holds, signature.after) == (True, ())
    assert verify(other.folder).ok
    assert check_proofs(other.folder).faults == ()
    older = import_bag(other, tmp_path / "one", moment())
    assert older.known == (job.id,)


def test_a_job_that_went_on_differently_is_refused_whole(record: Record, other: Record, tmp_path: Path) -> None:
    job, fresh = usual_job(record), usual_job(record)
    import_bag(other, bagged(record, tmp_path / "one", job.id), moment())
    other.append(**{**_plain(draft(job.id))})
    job.entry("note", None, {"text": "elsewhere"})
    head = other.head()
    with pytest.raises(IntegrityError, match=f"job {job.id} is in this record already, with other rows"):
        import_bag(other, bagged(record, tmp_path / "two", fresh.id, job.id), moment())
    assert other.head() == head


def _plain(one: object) -> dict[str, object]:
    return {name: getattr(one, name) for name in ("job", "kind", "body", "at", "mono", "session")}


def test_a_job_over_three_records(
    record: Record, other: Record, tmp_path: Path, signer: Callable[[str], Signer]
) -> None:
    job = usual_job(record)
    sign_job(record, job.id, "technician", signer("Ada Brook"), LEVER, moment())
    import_bag(other, bagged(record, tmp_path / "one"), moment(1))
    sign_job(other, job.id, "reviewer", signer("Ben Carr"), LEVER, moment(2))
    with Record.create(tmp_path / "third") as third:
        usual_job(third)
        import_bag(third, bagged(other, tmp_path / "two.zip"), moment(3))
        assert [one.holds for one in record_signatures(third)] == [True, True]
        assert check_proofs(third.folder).faults == ()
        rows = job_rows(third, job.id)
        assert [len(layers(row)) for row in rows] == [3] * (len(job.rows) + 2) + [2, 2, 2] + [1]
        assert verify(third.folder).ok


def test_two_workshops_become_one(record: Record, other: Record, tmp_path: Path) -> None:
    jobs = [usual_job(record, days=days) for days in range(3)]
    one, two = Job(record), Job(record)
    one.end(), two.end()
    other.close()
    with Record.open(other.folder) as opened:
        done = merge_record(opened, record.folder, moment())
        assert done.new == tuple(job.id for job in [*jobs, one, two])
        assert len(opened.jobs()) == 6
        assert verify(opened.folder).ok
        assert check_proofs(opened.folder).faults == ()
        assert merge_record(opened, record.folder, moment()).rows == 0
        with pytest.raises(UsageError, match="the record itself"):
            merge_record(opened, other.folder, moment())
    assert not [path for path in other.folder.iterdir() if path.name.startswith(".")]


def test_a_damaged_record_is_not_merged(record: Record, other: Record) -> None:
    job = usual_job(record)
    ref = next(ref for row in job.rows for ref in row.media if ref.kind == "clip")
    record.media_path(ref.sha256).write_bytes(b"something else")
    with pytest.raises(IntegrityError, match="does not prove itself, so nothing was imported"):
        merge_record(other, record.folder, moment())
    with pytest.raises(IntegrityError, match="not what it was"):
        bagged(record, other.folder.parent / "bag")
    assert not (other.folder.parent / "bag").exists()


def test_purged_sound_is_not_in_a_bag_and_does_not_come_back(record: Record, other: Record, tmp_path: Path) -> None:
    job = usual_job(record)
    whole = bagged(record, tmp_path / "whole")
    import_bag(other, whole, moment())
    for place in (record, other):
        sounds = [sound for sound in old_sound(place, 10, START.replace(year=2033)) if sound.job == job.id]
        assert purge(place, sounds, 10, "Ben Carr", moment(700)) == 2
    path = bagged(record, tmp_path / "purged")
    with Record.create(tmp_path / "third") as third:
        import_bag(third, path, moment(701))
        assert len(list((third.folder / "media").rglob("*"))) > 0
    sizes = len(list((path / "data/media").rglob("*"))), len(list((whole / "data/media").rglob("*")))
    assert sizes[0] < sizes[1]
    before = sorted((other.folder / "media").rglob("*"))
    assert import_bag(other, whole, moment(702)).known == (job.id,)
    assert sorted((other.folder / "media").rglob("*")) == before


def test_imported_rows_that_are_not_what_they_were_are_named(record: Record, other: Record, tmp_path: Path) -> None:
    """The importing ledger's own chain is whole here: somebody imported rows that he had changed himself."""
    job, between = Job(record), Job(record)
    job.reading("opening_effort", "1.3")
    between.end()
    job.end()
    with opened_bag(bagged(record, tmp_path / "bag", job.id), tmp_path) as bag:
        rows, links = bag.rows(job.id), bag.links_of(job.id)

    def named(change: Callable[[list[Draft]], list[Draft]], links: str = links) -> str:
        path = tmp_path / f"forged{len(list(tmp_path.iterdir()))}"
        with Record.create(path) as forged:
            for ref in {ref.sha256: ref for row in rows for ref in row.media}.values():
                forged.put_media(record.read_media(ref.sha256), ref.kind, ref.media_type)
            drafts = []
            for row in rows:
                body = with_origin(row.body, row.seq, row.prev, row.hash)
                del body["media"]
                drafts.append(Draft(row.job, row.kind, body, row.at, row.mono, row.session, row.media, row.id))
            data = {"rows": len(rows), "digest": digest_of(row.hash for row in rows)}
            media = [forged.put_media(links.encode(), "links", "application/jsonl")]
            drafts.append(replace(draft(job.id, "imported", data=data), media=media))
            append_all(forged, change(drafts))
            return " ".join(str(fault) for fault in check_proofs(path).faults)

    def changed(drafts: list[Draft]) -> list[Draft]:
        body = {**drafts[2].body, "words": "1.4"}
        return [*drafts[:2], replace(drafts[2], body=body), *drafts[3:]]

    assert named(lambda drafts: drafts) == ""
    assert "row 5 there had another content" in named(changed)
    assert "are not those of the bag" in named(lambda drafts: [*drafts[:2], *drafts[3:]])
    assert "it was imported, but its job was not" in named(lambda drafts: drafts[:-1])
    assert "are missing" in named(lambda drafts: drafts, links="")
    assert "cannot be followed" in named(lambda drafts: drafts, links=links.replace("opened", "opEned"))


def test_far_apart_rows_are_not_bridged(record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(form, "BRIDGE", 5)
    one = Job(record)
    usual_job(record)
    one.end()
    two = Job(record)
    one.entry("note", None, {"text": "x"})
    path = bagged(record, tmp_path / "bag", one.id)
    links = (path / form.LINKS).read_text().splitlines()
    assert len(links) == len(two.rows)
    with Record.create(tmp_path / "third") as third:
        import_bag(third, path, moment())
        assert check_proofs(third.folder).faults == ()


def test_spans() -> None:
    assert bag_module._merged([(5, 9), (1, 2), (3, 4), (8, 12), (20, 21)]) == [(1, 12), (20, 21)]


def test_what_export_refuses(record: Record, tmp_path: Path) -> None:
    job = usual_job(record)
    with pytest.raises(UsageError, match="no job was named"):
        export_bag(record, [], tmp_path / "bag", at=AT)
    with pytest.raises(UsageError, match="no job named 'x'"):
        export_bag(record, ["x"], tmp_path / "bag", at=AT)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "file").write_text("mine")
    (tmp_path / "mine.zip").write_text("mine")
    for name in ("full", "mine.zip", "full/file"):
        with pytest.raises(UsageError, match="nothing is overwritten"):
            export_bag(record, [job.id], tmp_path / name, at=AT)
    assert (tmp_path / "mine.zip").read_text() == "mine"
    record.append(**_plain(draft("J-1")))
    with pytest.raises(UsageError, match="not a UUIDv7"):
        export_bag(record, ["J-1"], tmp_path / "bag", at=AT)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["full", "mine.zip", "record"]
    (tmp_path / "empty").mkdir()
    assert bagged(record, tmp_path / "empty", job.id)


def test_a_changed_row_is_not_exported(record: Record, tmp_path: Path) -> None:
    job = usual_job(record)
    conn = record._db.conn
    conn.execute("DROP TRIGGER ledger_no_update")
    conn.execute("UPDATE ledger SET kind = 'changed' WHERE seq = 3")
    with pytest.raises(IntegrityError, match=r"row 3 .* does not prove itself"):
        bagged(record, tmp_path / "bag", job.id)


def test_checking_a_bag_leaves_nothing_behind(record: Record, tmp_path: Path) -> None:
    job = usual_job(record)
    path = bagged(record, tmp_path / "bag.zip")
    (tmp_path / "near").mkdir()
    with opened_bag(path, tmp_path / "near") as bag:
        assert bag.jobs == (job.id,)
        assert bag.head == record.head()
    assert list((tmp_path / "near").iterdir()) == []
