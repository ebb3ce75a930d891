"""Our pronunciations, which are American, as a Briton says them, for festival's British voices.

Only what the two kinds of English are known for is changed: no r but before a vowel, the rounded vowel of "lot", the
centring vowels of "near", "square" and "cure". The phones are festival's set "mrpa".
"""

from __future__ import annotations

from collections.abc import Sequence

VOICES = ("rab_diphone", "don_diphone")

VOWELS = {
    "AA": "o", "AE": "a", "AH": "uh", "AO": "oo", "AW": "au", "AY": "ai", "EH": "e", "ER": "@@", "EY": "ei",
    "IH": "i", "IY": "ii", "OW": "ou", "OY": "oi", "UH": "u", "UW": "uu",
}  # fmt: skip
BEFORE_R = {"AA": "aa", "EH": "e@", "IH": "i@", "IY": "i@", "UH": "u@", "AE": "a", "AH": "@"}
BEGIN = """(require 'mrpa_phones)
(lex.create "oald")
(lex.set.phoneset "mrpa")
(lex.set.lts.method nil)
"""
"""Takes the place of the voices' own dictionary, which may not be used for everything."""


def british(phones: Sequence[str]) -> list[str]:
    """Phones with the stress at vowels, the first full vowel being the stressed one."""
    out: list[str] = []
    stressed = False
    for i, p in enumerate(phones):
        after = phones[i + 1] if i + 1 < len(phones) else ""
        if p == "R" and (after not in VOWELS):
            continue
        if p not in VOWELS:
            out.append("h" if p == "HH" else p.lower())
            continue
        alone = sum(q in VOWELS for q in phones) == 1
        stress = not stressed and (alone or p not in ("AH", "ER"))
        vowel = BEFORE_R.get(p, VOWELS[p]) if after == "R" else VOWELS[p]
        if not stress and p in ("AH", "ER"):
            vowel = "@"
        stressed = stressed or stress
        out.append(vowel + ("1" if stress else "0"))
        if p == "ER" and after in VOWELS:
            out.append("r")
    return out


def entry(word: str, phones: Sequence[str]) -> str:
    """A line that teaches festival the word."""
    said = " ".join(british(phones))
    return f'(lex.add.entry (list "{word}" nil (lex.syllabify.phstress \'({said}))))'
