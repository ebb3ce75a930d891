"""The outer layer of a bag (RFC 8493): are exactly the listed files there, and is each what its digest says?"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from pathlib import Path

from capture.record.bag_format import BAGIT, MANIFEST, TAG_FILES, TAG_MANIFEST, safe_path
from capture.record.media import digest_of

_LINE = re.compile(r"([0-9a-f]{64})  (\S+)")
_LARGEST_INFO = 65_536
_DEEPEST = 4


def check_tree(folder: Path) -> tuple[list[str], frozenset[str]]:
    """Check a bag's folder; nothing of it is trusted.

    Returns:
        What is wrong, each beginning with the file's path in the bag, and the paths of all payload files.
    """
    there, faults = _files(folder)
    for name in (*TAG_FILES, TAG_MANIFEST):
        if name not in there:
            faults.append(f"{name}: the file is missing")
    for name in sorted(there):
        if not name.startswith("data/") and name not in (*TAG_FILES, TAG_MANIFEST):
            faults.append(f"{name}: a bag of this program has no such file")
    if faults:
        return faults, frozenset()
    faults += _check_fixed(folder)
    faults += _check_manifest(folder, TAG_MANIFEST, frozenset(TAG_FILES))
    payload = frozenset(name for name in there if name.startswith("data/"))
    faults += _check_manifest(folder, MANIFEST, payload)
    if not faults:
        faults += _check_oxum(folder, payload)
    return faults, payload


def _files(folder: Path) -> tuple[frozenset[str], list[str]]:
    faults: list[str] = []
    found: set[str] = set()
    folded: dict[str, str] = {}
    for name, entry in _walk(folder, ""):
        why = safe_path(name)
        if why is None and name.casefold() in folded:
            why = f"its name differs from {folded[name.casefold()]} in case only"
        folded[name.casefold()] = name
        mode = entry.stat(follow_symlinks=False).st_mode
        if stat.S_ISLNK(mode):
            why = "it is a link"
        elif not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
            why = "it is no plain file"
        elif name.count("/") > _DEEPEST:
            why = "it lies deeper than any file of a bag"
        if why is not None:
            faults.append(f"{ascii(name)[1:-1]}: {why}")
        elif stat.S_ISREG(mode):
            found.add(name)
    return frozenset(found), faults


def _walk(folder: Path, before: str) -> Iterator[tuple[str, os.DirEntry[str]]]:
    with os.scandir(folder) as entries:
        listed = sorted(entries, key=lambda entry: entry.name)
    for entry in listed:
        name = f"{before}{entry.name}"
        yield name, entry
        if entry.is_dir(follow_symlinks=False) and name.count("/") <= _DEEPEST:
            yield from _walk(folder / entry.name, f"{name}/")


def _check_fixed(folder: Path) -> list[str]:
    with (folder / "bagit.txt").open("rb") as stream:
        if stream.read(len(BAGIT) + 1) != BAGIT:
            return ["bagit.txt: it does not say BagIt 1.0 in UTF-8 as the program writes it"]
    return []


def _check_manifest(folder: Path, manifest: str, files: frozenset[str]) -> list[str]:
    faults: list[str] = []
    listed: set[str] = set()
    for number, line in enumerate(_lines(folder / manifest), start=1):
        found = _LINE.fullmatch(line)
        if found is None:
            faults.append(f"{manifest}: line {number} cannot be read")
            continue
        digest, path = found.groups()
        if path in listed:
            faults.append(f"{path}: {manifest} lists it twice")
        elif path not in files:
            faults.append(f"{ascii(path)[1:-1]}: {manifest} lists it, but no such file may be there")
        elif digest_of(folder / path) != digest:
            faults.append(f"{path}: its bytes do not give the digest in {manifest}; one of the two was changed")
        listed.add(path)
    return faults + [f"{path}: {manifest} does not list it" for path in sorted(files - listed)]


def _lines(path: Path) -> Iterator[str]:
    """Lines that end in a line feed; one that does not comes with a mark that no line fits."""
    with path.open("rb") as stream:
        while line := stream.readline(1024):
            text = line.decode("ascii", errors="replace")
            yield text[:-1] if text.endswith("\n") else f"{text}\0"


def _check_oxum(folder: Path, payload: frozenset[str]) -> list[str]:
    with (folder / "bag-info.txt").open("rb") as stream:
        info = stream.read(_LARGEST_INFO).decode(errors="replace")
    octets = sum((folder / name).stat().st_size for name in payload)
    if f"\nPayload-Oxum: {octets}.{len(payload)}\n" in f"\n{info}":
        return []
    return ["bag-info.txt: its Payload-Oxum is not the payload's bytes and files"]
