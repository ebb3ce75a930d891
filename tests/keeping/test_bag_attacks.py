"""A stranger's bag: one flipped bit anywhere, forged contents, and paths that lead elsewhere are refused by name."""

from __future__ import annotations

import io
import os
import random
import stat
import zipfile
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from capture.errors import IntegrityError, UsageError
from capture.record import Record, chain
from capture.record import bag_format as form
from capture.record.bag import export_bag
from capture.record.bag_import import import_bag, opened_bag
from capture.record.rows import Row
from capture.record.signing import Signer, sign_job
from tests.keeping.world import LEVER, Job, draft, moment, new_id, usual_job

AT = "2031-06-01T12:00:00.000+02:00"


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, str]:
    """A record of two interleaved jobs and one more, the first signed; a bag of the first as folder and archive."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    place = tmp_path_factory.mktemp("world")
    with Record.create(place / "record") as record:
        one, two = Job(record), Job(record)
        one.reading("opening_effort", "1.3", media=[one.clip(b"effort")])
        two.reading("opening_effort", "1.4")
        one.end()
        sign_job(record, one.id, "reviewer", Signer("Ben Carr", Ed25519PrivateKey.generate()), LEVER, moment())
        usual_job(record)
        reports = {one.id: "<html>report</html>"}
        for name in ("bag", "bag.zip"):
            export_bag(record, [one.id], place / name, at=AT, reports=reports)
    return place, one.id, two.id


@pytest.fixture
def bag(world: tuple[Path, str, str], tmp_path: Path) -> Path:
    """A copy of the bag's folder that may be spoilt."""
    import shutil

    return Path(shutil.copytree(world[0] / "bag", tmp_path / "bag"))


def refusal(path: Path) -> str:
    with pytest.raises(IntegrityError) as caught, opened_bag(path, path.parent):
        pass
    assert str(path) in str(caught.value)
    assert "nothing was imported" in str(caught.value)
    return str(caught.value)


def resealed(folder: Path) -> None:
    """Make a bag's manifests fit whatever is in it: a forger can do that."""
    import hashlib

    payload = sorted(path for path in (folder / "data").rglob("*") if path.is_file())
    lines = [f"{sha256(path.read_bytes()).hexdigest()}  {path.relative_to(folder).as_posix()}\n" for path in payload]
    (folder / form.MANIFEST).write_text("".join(lines))
    octets = sum(path.stat().st_size for path in payload)
    info = (folder / "bag-info.txt").read_text().splitlines()
    info = [f"Payload-Oxum: {octets}.{len(payload)}" if line.startswith("Payload-Oxum") else line for line in info]
    (folder / "bag-info.txt").write_text("".join(f"{line}\n" for line in info))
    lines = [f"{hashlib.sha256((folder / name).read_bytes()).hexdigest()}  {name}\n" for name in form.TAG_FILES]
    (folder / form.TAG_MANIFEST).write_text("".join(lines))


def test_the_untouched_bag_is_good(bag: Path, world: tuple[Path, str, str]) -> None:
    for path in (bag, world[0] / "bag.zip"):
        with opened_bag(path, bag.parent) as opened:
            assert opened.jobs == (world[1],)
    resealed(bag)
    with opened_bag(bag, bag.parent):
        pass


def test_one_flipped_bit_in_any_file_is_refused_and_the_file_named(bag: Path) -> None:
    chance = random.Random(7)
    files = sorted(path for path in bag.rglob("*") if path.is_file())
    assert len(files) == 14
    for path in files:
        good = path.read_bytes()
        small = len(good) if path.parent == bag else 10
        for position in {0, len(good) - 1, *chance.sample(range(len(good)), min(small, len(good)))}:
            spoilt = bytearray(good)
            spoilt[position] ^= 1 << chance.randrange(8)
            path.write_bytes(spoilt)
            said = refusal(bag)
            assert path.relative_to(bag).as_posix() in said, (position, said)
        path.write_bytes(good)


def test_one_flipped_bit_in_any_byte_of_an_archive_is_refused(world: tuple[Path, str, str], tmp_path: Path) -> None:
    good = (world[0] / "bag.zip").read_bytes()
    path = tmp_path / "bag.zip"
    chance = random.Random(8)
    with zipfile.ZipFile(world[0] / "bag.zip") as archive:
        headers = [info.header_offset + byte for info in archive.infolist() for byte in (4, 8, 12, 16, 27, 29)]
        directory = range(archive.start_dir, len(good))
    positions = {*headers, *chance.sample(directory, 200), *chance.sample(range(len(good)), 100), *range(-24, 0)}
    for position in positions:
        spoilt = bytearray(good)
        spoilt[position] ^= 1 << chance.randrange(8)
        path.write_bytes(spoilt)
        refusal(path)
    for spoilt in (good + b"x", b"x" + good, good[:-1], good[:1000], b"", b"PK"):
        path.write_bytes(spoilt)
        refusal(path)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_rows_forged_with_fitting_manifests_are_refused(
    data: st.DataObject, world: tuple[Path, str, str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """A bit changed in the rows, the links, the keys or the signatures, and the manifests made to fit."""
    import shutil

    folder = Path(shutil.copytree(world[0] / "bag", tmp_path_factory.mktemp("forged") / "bag"))
    names = [form.job_path(world[1]), form.LINKS, form.RECORD]
    names += [
        path.relative_to(folder).as_posix()
        for part in ("keys", "signatures", "media")
        for path in (folder / "data" / part).rglob("*")
        if path.is_file()
    ]
    path = folder / data.draw(st.sampled_from(sorted(names)))
    spoilt = bytearray(path.read_bytes())
    spoilt[data.draw(st.integers(0, len(spoilt) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    if path.name == "record.json" and spoilt != path.read_bytes():
        free = (b'"exported"', b'"program"', b'"source"', b'"head"')
        if any(name in path.read_bytes() for name in free):
            return
    path.write_bytes(spoilt)
    resealed(folder)
    refusal(folder)


def test_forgeries_are_named(bag: Path, world: tuple[Path, str, str]) -> None:
    _, job, _ = world
    path = bag / form.job_path(job)
    lines = path.read_text().splitlines(keepends=True)
    links = (bag / form.LINKS).read_text()
    about = (bag / form.RECORD).read_text()

    def said(rows: list[str], of_links: str = links) -> str:
        path.write_text("".join(rows))
        (bag / form.LINKS).write_text(of_links)
        found = chain.load(about)
        kept = [form.read_row(line.rstrip("\n")) for line in rows]
        if kept:
            found["jobs"] = form.describe({job: kept})
        (bag / form.RECORD).write_text(f"{chain.canonical(found)}\n")
        resealed(bag)
        return refusal(bag)

    assert "does not begin with its opening" in said(lines[1:])
    assert "rows between" in said(lines[:2] + lines[3:])
    assert "is in the bag twice" in said([*lines, lines[-1]])
    assert "is in the bag twice" in said(lines, links + links)
    assert "rows between" in said(lines, "")
    assert "not in their order" in said([lines[0], lines[2], lines[1], *lines[3:]])
    moved = form.link_line(form.link_of(form.read_row(lines[2].rstrip("\n"))))
    assert "the job is not whole" in said(lines[:2] + lines[3:], links + moved + "\n")
    assert "signature" in said(lines[:-1])
    assert "of another job" in said([*lines, _row_line(new_id(), 99, "0" * 64)])
    assert "does not follow" in said([*lines, _row_line(job, 10, "0" * 64)])


def _row_line(job: str, seq: int, prev: str) -> str:
    one = draft(job)
    row = Row(seq, new_id(), job, one.kind, one.at, 1.0, one.session, {**one.body, "media": []}, prev, "")
    return form.row_line(Row(**{**row.__dict__, "hash": form.link_hash(form.link_of(row))})) + "\n"


PATHS = [
    "../outside.txt",
    "data/../../outside.txt",
    "/tmp/outside.txt",
    "data//record.json",
    "./data/record.json",
    "~/outside.txt",
    "~root/x",
    "C:\\outside.txt",
    "\\\\server\\share\\x",
    "data\\..\\..\\outside.txt",
    "data/%2e%2e/%2e%2e/outside.txt",
    "data/..",
    "data/record.json\0.txt",
    "data/a b",
    "data/ünïcode",
    "data/.hidden",
    "data/nul:stream",
    "data/line%0Afeed",
    "data/line%0dreturn",
    "data/per%25cent",
    "data/re\u0301sume\u0301.html",
    "data/r\u00e9sum\u00e9.html",
    "data/RECORD.json",
    "data/CON",
    "http://example.org/record.json",
    "bagit.txt",
]


@pytest.mark.parametrize("listed", PATHS)
@pytest.mark.parametrize("manifest", [form.MANIFEST, form.TAG_MANIFEST])
def test_manifests_that_list_other_places_are_refused(bag: Path, listed: str, manifest: str) -> None:
    """RFC 8493, section 5 (paths that lead outside of the bag, names that file systems take for one another) and 2.1.3
    (%-encoded line ends): a bag of this program has none of them, so all are refused; cases of our own."""
    outside = bag.parent / "outside.txt"
    outside.write_text("mine")
    text = (bag / manifest).read_text()
    (bag / manifest).write_text(f"{text}{sha256(b'mine').hexdigest()}  {listed}\n", "utf-8")
    if manifest == form.MANIFEST:
        tags = "".join(f"{sha256((bag / name).read_bytes()).hexdigest()}  {name}\n" for name in form.TAG_FILES)
        (bag / form.TAG_MANIFEST).write_text(tags)
    refusal(bag)


@pytest.mark.parametrize("name", ["data/extra.txt", "fetch.txt", "manifest-md5.txt", "manifest-sha512.txt", "x.txt"])
def test_files_that_no_row_or_list_accounts_for_are_refused(bag: Path, name: str) -> None:
    (bag / name).write_text(f"{'0' * 32}  data/record.json\n")
    assert f"{name}: " in refusal(bag)
    resealed(bag)
    assert f"{name}: " in refusal(bag)


@pytest.mark.parametrize(
    "content",
    [
        b"\xef\xbb\xbf" + form.BAGIT,
        form.BAGIT.replace(b"\n", b"\r\n"),
        form.BAGIT.replace(b"1.0", b"0.97"),
        form.BAGIT.replace(b"UTF-8", b"UTF-16"),
        form.BAGIT + b"BagIt-Version: 1.0\n",
        form.BAGIT.rstrip(b"\n"),
        b"",
    ],
)
def test_a_declaration_of_another_kind_is_refused(bag: Path, content: bytes) -> None:
    """RFC 8493, section 2.1.1: exactly two lines, no byte-order mark."""
    (bag / "bagit.txt").write_bytes(content)
    resealed(bag)
    assert "bagit.txt: " in refusal(bag)


@pytest.mark.parametrize("change", ["upper", "crlf", "twice", "single space", "no end"])
def test_manifests_written_otherwise_are_refused(bag: Path, change: str) -> None:
    path = bag / form.TAG_MANIFEST
    text = path.read_text()
    first, rest = text.split("\n", 1)
    spoilt = {
        "upper": text.upper(),
        "crlf": text.replace("\n", "\r\n"),
        "twice": text + first + "\n",
        "single space": text.replace("  ", " "),
        "no end": rest + first,
    }[change]
    path.write_bytes(spoilt.encode())
    refusal(bag)


@pytest.mark.parametrize("name", [*form.TAG_FILES, form.TAG_MANIFEST, form.RECORD, form.LINKS, form.README])
def test_files_that_are_missing_are_named(bag: Path, name: str) -> None:
    (bag / name).unlink()
    assert name in refusal(bag)


def test_media_that_are_missing_or_cut_are_named(bag: Path) -> None:
    for path in sorted((bag / "data/media").rglob("*/*")):
        good = path.read_bytes()
        path.write_bytes(good[:-1])
        resealed(bag)
        assert path.name in refusal(bag)
        path.unlink()
        resealed(bag)
        assert f"{path.relative_to(bag).as_posix()}: the file is missing" in refusal(bag)
        path.write_bytes(good)


def test_links_devices_and_names_alike_are_refused(bag: Path) -> None:
    target = bag.parent / "secret.txt"
    target.write_text("mine")
    for make in (
        lambda path: path.symlink_to(target),
        lambda path: path.symlink_to("record.json"),
        lambda path: path.symlink_to(bag.parent, target_is_directory=True),
        lambda path: os.mkfifo(path),
    ):
        path = bag / "data/reports/more.html"
        make(path)
        assert "data/reports/more.html: it is " in refusal(bag)
        path.unlink()
    path = bag / "data/RECORD.json"
    path.write_bytes((bag / form.RECORD).read_bytes())
    assert "in case only" in refusal(bag)
    path.unlink()
    for name in ("re\u0301sume\u0301.html", "r\u00e9sum\u00e9.html", "line%0Afeed", "a\nb"):
        (bag / "data" / name).write_bytes(b"")
    said = refusal(bag)
    assert said.count("has a part that a bag of this program never has") == 4
    for name in ("re\u0301sume\u0301.html", "r\u00e9sum\u00e9.html", "line%0Afeed", "a\nb"):
        (bag / "data" / name).unlink()
    deep = bag / "data/a/b/c/d/e"
    deep.mkdir(parents=True)
    assert "deeper than any file" in refusal(bag)


def test_a_bag_that_is_a_link_or_not_there(bag: Path, tmp_path: Path) -> None:
    link = tmp_path / "link"
    link.symlink_to(bag, target_is_directory=True)
    for path in (link, tmp_path / "none"):
        with pytest.raises(UsageError, match="there is no bag here"), opened_bag(path, tmp_path):
            pass


def _archive(path: Path, entries: list[tuple[zipfile.ZipInfo, bytes]], how: int = zipfile.ZIP_STORED) -> Path:
    with zipfile.ZipFile(path, "w", how) as archive:
        for info, content in entries:
            archive.writestr(info, content, compress_type=how)
    return path


@pytest.mark.parametrize(
    "name",
    [
        "../evil.txt",
        "/tmp/evil.txt",
        "benchwitness-bag/../../evil.txt",
        "benchwitness-bag/data/../../../evil.txt",
        "benchwitness-bag\\..\\evil.txt",
        "benchwitness-bag/data/",
        "C:evil.txt",
        "other/bagit.txt",
        "benchwitness-bag/data/" + "x" * 300,
    ],
)
def test_archives_with_paths_that_lead_elsewhere_write_nothing(tmp_path: Path, name: str) -> None:
    inner = tmp_path / "a" / "b"
    inner.mkdir(parents=True)
    refusal(_archive(inner / "bag.zip", [(zipfile.ZipInfo(name), b"evil")]))
    assert [path.name for path in tmp_path.rglob("*") if path.is_file()] == ["bag.zip"]


def test_archives_that_are_bombs_or_hold_links_or_twins(world: tuple[Path, str, str], tmp_path: Path) -> None:
    info = zipfile.ZipInfo(f"{form.FOLDER_IN_ZIP}/bagit.txt")
    bomb = _archive(tmp_path / "bomb.zip", [(info, b"\0" * 50_000_000)], zipfile.ZIP_DEFLATED)
    assert bomb.stat().st_size < 100_000
    assert "unpack it and import the folder" in refusal(bomb)
    link = zipfile.ZipInfo(f"{form.FOLDER_IN_ZIP}/bagit.txt")
    link.create_system, link.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    refusal(_archive(tmp_path / "link.zip", [(link, b"/etc/passwd")]))
    twin = zipfile.ZipInfo(f"{form.FOLDER_IN_ZIP}/BAGIT.txt")
    assert "another file of this name" in refusal(_archive(tmp_path / "twin.zip", [(info, b"x"), (twin, b"x")]))
    both = zipfile.ZipInfo(f"{form.FOLDER_IN_ZIP}/bagit.txt/inside")
    assert "a file and a folder" in refusal(_archive(tmp_path / "both.zip", [(info, b"x"), (both, b"x")]))


def test_an_archive_whose_entries_overlap_is_refused(tmp_path: Path) -> None:
    """Many entries of the directory that share one stored body announce more than the archive holds."""
    body = io.BytesIO()
    with zipfile.ZipFile(body, "w") as archive:
        archive.writestr(f"{form.FOLDER_IN_ZIP}/a", b"\0" * 100_000)
        first = archive.infolist()[0]
        for number in range(100):
            copy = zipfile.ZipInfo(f"{form.FOLDER_IN_ZIP}/b{number}")
            copy.header_offset, copy.CRC = first.header_offset, first.CRC
            copy.file_size = copy.compress_size = first.file_size
            archive.filelist.append(copy)
            archive.NameToInfo[copy.filename] = copy
    path = tmp_path / "overlap.zip"
    path.write_bytes(body.getvalue())
    assert "announces more than it holds" in refusal(path)


def test_an_archive_packed_otherwise_is_sent_back(world: tuple[Path, str, str], tmp_path: Path) -> None:
    good = world[0] / "bag"
    entries = [
        (zipfile.ZipInfo(f"{form.FOLDER_IN_ZIP}/{path.relative_to(good).as_posix()}"), path.read_bytes())
        for path in sorted(good.rglob("*"), reverse=True)
        if path.is_file()
    ]
    assert "not as the export wrote it" in refusal(_archive(tmp_path / "other.zip", entries))


def test_a_stranger_cannot_take_the_place_of_our_rows(
    world: tuple[Path, str, str], tmp_path: Path, signer: Callable[[str], Signer]
) -> None:
    """Rows of the same ids in another job are refused before anything is written."""
    with Record.create(tmp_path / "mine") as mine:
        usual_job(mine)
        stranger = Record.open(world[0] / "record", writing=False)
        taken = next(stranger.rows(world[1])).id
        stranger.close()
        from capture.record.bulk import append_all

        ours = draft(new_id())
        append_all(mine, [type(ours)(**{**ours.__dict__, "id": taken})])
        head = mine.head()
        with pytest.raises(IntegrityError, match="is here as a row of job"):
            import_bag(mine, world[0] / "bag", moment())
        assert mine.head() == head


def test_a_refused_bag_leaves_the_record_as_it_was(bag: Path, tmp_path: Path) -> None:
    with Record.create(tmp_path / "mine") as mine:
        usual_job(mine)
        before = sorted(path for path in mine.folder.rglob("*"))
        head = mine.head()
        clip = next((bag / "data/media").rglob("*/*"))
        clip.write_bytes(clip.read_bytes() + b"x")
        with pytest.raises(IntegrityError):
            import_bag(mine, bag, moment())
        assert mine.head() == head
        assert sorted(path for path in mine.folder.rglob("*")) == before
