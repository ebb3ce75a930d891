"""Two hearings of the same sound compared: where they differ, the words are doubtful."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from difflib import SequenceMatcher

from .heard import Doubt
from .lexicon import Pronunciation

Pronounce = Callable[[str], tuple[Pronunciation, ...]]


def sound_names(first: Sequence[str], second: Sequence[str], pronounce: Pronounce) -> tuple[list[str], list[str]]:
    """Both word lists with words that sound alike ("two", "to") written alike."""
    name: dict[Pronunciation, str] = {}
    out = []
    for words in (first, second):
        row = []
        for w in words:
            spoken = pronounce(w)
            known = next((name[p] for p in spoken if p in name), w)
            for p in spoken:
                name.setdefault(p, known)
            row.append(known)
        out.append(row)
    return out[0], out[1]


def disagreements(first: Sequence[str], second: Sequence[str], pronounce: Pronounce) -> tuple[Doubt, ...]:
    """Doubts about words of ``first`` that ``second`` heard otherwise, or beside which it heard more."""
    a, b = sound_names(first, second, pronounce)
    doubts = []
    for what, i, j, k, m in SequenceMatcher(None, a, b, autojunk=False).get_opcodes():
        if what == "equal" or not first:
            continue
        other = " ".join(second[k:m])
        lo, hi = (i, j - 1) if j > i else (max(0, i - 1), min(len(first) - 1, i))
        mine = " ".join(first[lo : hi + 1])
        said = f"'{other}'" if other else "nothing"
        if j > i:
            reason = f"The second hearing heard {said} instead of '{mine}'; say it again or confirm."
        else:
            reason = f"The second hearing heard {said} more beside '{mine}'; say it again or confirm."
        doubts.append(Doubt("disagree", lo, hi, reason, other, beside=j == i))
    return tuple(doubts)
