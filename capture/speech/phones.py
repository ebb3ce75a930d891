"""The phone set of the embedded recogniser and the numbers that Kaldi's file formats give to it.

39 phones of the CMU pronouncing dictionary without stress, silence, and one unit for anything that is not a word
of the vocabulary. Phones are marked by their place in the word (begin, end, internal, singleton), which shares the
acoustics and only serves to find word boundaries. Each unit has two outputs of the network: its first frame and its
later frames (the topology used by Kaldi's "chain" models, in which a phone may last a single frame of 30 ms).
"""

from __future__ import annotations

SILENCE = "SIL"
GARBAGE = "GBG"
_LISTED = """
AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z ZH
"""
SPEECH = tuple(_LISTED.split())
UNITS = (SILENCE, GARBAGE, *SPEECH)
"""Acoustic units; the position is the unit's number."""

UNIT_NUMBER = {name: i for i, name in enumerate(UNITS)}
OUTPUTS = 2 * len(UNITS)
"""Number of network outputs: 2k is the first frame of unit k, 2k+1 a later one."""

PLACES = ("B", "E", "I", "S")
MARKED = (SILENCE, *(f"{u}_{place}" for u in UNITS[1:] for place in PLACES))
"""Phones as written in a decoding graph; the position plus one is the phone's number."""

PHONE_NUMBER = {name: i for i, name in enumerate(MARKED, 1)}


def unit_of(marked: str) -> int:
    """Number of the acoustic unit of a marked phone such as ``"AH_B"``."""
    return UNIT_NUMBER[marked.split("_")[0]]


def mark(pronunciation: tuple[str, ...]) -> list[int]:
    """Phone numbers of a word's phones with their places."""
    if len(pronunciation) == 1:
        return [PHONE_NUMBER[pronunciation[0] + "_S"]]
    last = len(pronunciation) - 1
    return [PHONE_NUMBER[p + ("_B" if i == 0 else "_E" if i == last else "_I")] for i, p in enumerate(pronunciation)]


def enter(phone: int) -> int:
    """Transition number of a phone's first frame (follows from the topology written in the model)."""
    return 2 * phone


def stay(phone: int) -> int:
    """Transition number of a phone's later frames."""
    return 2 * phone - 1
