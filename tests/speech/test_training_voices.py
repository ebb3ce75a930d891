"""What multiplies the voices of the training: British pronunciations and other throats. The latter skipped without
pyworld."""

from __future__ import annotations

import random

import numpy as np
import pytest

from capture.speech.lexicon import read_lexicon
from capture.speech.training import throats
from capture.speech.training.british import BEFORE_R, VOWELS, british, entry
from capture.speech.training.pack import RATE, Clip

FESTIVAL_MRPA = frozenset(
    [
        *("uh", "e", "a", "o", "i", "u", "ii", "uu", "oo", "aa", "@@", "ai", "ei", "oi", "au", "ou", "e@", "i@", "u@"),
        *("@", "p", "t", "k", "b", "d", "g", "s", "z", "sh", "zh", "f", "v", "th", "dh", "ch", "jh", "h", "m", "n"),
        *("ng", "l", "y", "r", "w"),
    ]
)
"""Phones of festival's set "mrpa" (lib/mrpa_phones.scm of festival 2.5)."""


@pytest.mark.parametrize(
    ("word", "said"),
    [
        # Received Pronunciation by J. C. Wells's lexical sets (Accents of English, 1982), from memory
        ("four", "f oo1"),
        ("bar", "b aa1"),
        ("lock", "l o1 k"),
        ("bird", "b @@1 d"),
        ("gear", "g i@1"),
        ("square", "s k w e@1"),
        ("lever", "l e1 v @0"),
        ("three", "th r ii1"),
        ("zero", "z i@1 r ou0"),
    ],
)
def test_americans_become_britons(word: str, said: str) -> None:
    """The changes that the two kinds of English are known for."""
    assert said in {" ".join(british(p)) for p in read_lexicon()[word]}


def test_every_word_has_a_british_entry_of_known_phones_with_one_stress() -> None:
    """Whatever the lexicon holds can be taught to festival."""
    for word, ways in read_lexicon().items():
        phones = british(ways[0])
        assert {p.rstrip("01") for p in phones} <= FESTIVAL_MRPA, word
        assert sum(p.endswith("1") for p in phones) <= 1, word
    assert set(BEFORE_R) <= set(VOWELS)
    assert entry("two", ("T", "UW")) == '(lex.add.entry (list "two" nil (lex.syllabify.phstress \'(t uu1))))'


def test_dragging_slows_and_hurries() -> None:
    """At half the tempo there are twice the frames, in their order; a change in tempo keeps both ends."""
    assert len(throats.moments(100, (0.5, 0.5))) == pytest.approx(200, abs=1)
    at = throats.moments(300, (0.8, 1.25, 0.9))
    assert (np.diff(at) > 0).all()
    assert at[0] == 0
    assert at[-1] == pytest.approx(299, abs=1.5)


def vowel(hertz: float, formant: float) -> np.ndarray:
    """A second of a buzz with one resonance."""
    t = np.arange(RATE) / RATE
    x = np.zeros(RATE)
    for h in range(1, int(4000 / hertz)):
        x += np.sin(2 * np.pi * h * hertz * t) / (1 + ((h * hertz - formant) / 120) ** 2)
    return (8000 * x / np.abs(x).max()).astype(np.int16)


def peak(pcm: np.ndarray, low: float, high: float) -> float:
    """Centre of the power between two frequencies."""
    power = np.abs(np.fft.rfft(pcm[2000:-2000] * np.hanning(len(pcm) - 4000))) ** 2
    f = np.fft.rfftfreq(len(pcm) - 4000, 1 / RATE)
    on = (f > low) & (f < high)
    return float((power[on] * f[on]).sum() / power[on].sum())


@pytest.mark.filterwarnings("ignore:pkg_resources")
def test_another_throat_has_the_pitch_and_formant_that_were_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pitch by half more, resonance a fifth higher, each by itself; the time of a phone's end follows the tempo."""
    pytest.importorskip("pyworld")
    clip = Clip(vowel(110, 1000), "made", "one", "m", "word", ("ah",), (("AA", 0.5), ("SIL", 1.0)))
    pitched = throats.Throat(1.5, 1.0, 1.0, 1.0, (1.0, 1.0))
    monkeypatch.setattr(throats, "draw", lambda r, median: pitched)
    higher = throats.change(clip, random.Random(1))
    assert peak(higher.pcm, 130, 190) == pytest.approx(165, abs=4)
    assert peak(higher.pcm, 500, 2000) == pytest.approx(1000, rel=0.06)
    warped = throats.Throat(1.0, 1.0, 1.2, 1.0, (0.8, 0.8))
    monkeypatch.setattr(throats, "draw", lambda r, median: warped)
    longer = throats.change(clip, random.Random(1))
    assert peak(longer.pcm, 700, 2000) == pytest.approx(1200, rel=0.06)
    assert len(longer.pcm) / RATE == pytest.approx(1.25, abs=0.03)
    assert longer.segments[0] == ("AA", pytest.approx(0.625, abs=0.02))
    assert longer.words == clip.words


def test_what_is_not_voiced_stays_as_it_is() -> None:
    """Noise has no pitch to change."""
    pytest.importorskip("pyworld")
    hiss = (np.random.default_rng(2).normal(size=3000) * 300).astype(np.int16)
    clip = Clip(hiss, "made", "one", "m", "word", ("s",))
    assert throats.change(clip, random.Random(1)) is clip
