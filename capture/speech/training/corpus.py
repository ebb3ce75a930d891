"""The training corpus: real recordings, sentences joined from real single words, synthetic sentences."""

from __future__ import annotations

import random
import time
from collections import defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ..lexicon import Lexicon
from ..phones import GARBAGE, UNIT_NUMBER
from . import synth, texts, throats
from .pack import RATE, Clip, read_pack

JOINABLE = ("number", "letters", "nato", "command", "word")
SAME_WORD = {"x ray": "x-ray", "alfa": "alpha", "juliett": "juliet", "whisky": "whiskey"}


@dataclass(frozen=True)
class Utterance:
    """A stretch of the corpus's audio with the choice of pronunciations of each of its words."""

    first: int
    samples: int
    words: tuple[str, ...]
    weight: float
    group: str
    units: npt.NDArray[np.int16] | None = None
    ends: npt.NDArray[np.float32] | None = None


def trim(pcm: npt.NDArray[np.int16], margin: int = 960) -> npt.NDArray[np.int16]:
    """Without the silence at both ends, ``margin`` samples kept."""
    n = len(pcm) // 160
    if n < 5:
        return pcm
    level = np.sqrt((pcm[: n * 160].astype(np.float64).reshape(n, 160) ** 2).mean(1))
    level = np.convolve(level, np.ones(3) / 3, "same")
    loud = np.flatnonzero(level > max(0.04 * level.max(), 1.6 * np.percentile(level, 8)))
    if len(loud) == 0:
        return pcm
    return pcm[max(0, loud[0] * 160 - margin) : (loud[-1] + 1) * 160 + margin]


def level(clip: Clip) -> Clip:
    """A single word without silence around it, at a common level."""
    x = trim(clip.pcm).astype(np.float32)
    x *= 2000 / max(float(np.sqrt((x**2).mean())), 1.0)
    return replace(clip, pcm=np.clip(x, -32768, 32767).astype(np.int16))


def join(parts: Sequence[Clip], r: random.Random) -> Clip:
    """Several words made by :func:`level` as one utterance, with short gaps."""
    pieces: list[npt.NDArray[np.float32]] = []
    for c in parts:
        x = c.pcm.astype(np.float32) * r.uniform(0.7, 1.3)
        fade = np.minimum(1, np.arange(len(x)) / 200)
        x = x * fade * fade[::-1]
        gap = int(r.choice([0, 0, r.uniform(0, 0.06), r.uniform(0, 0.35)]) * RATE)
        if pieces and gap == 0:  # overlap the margins: connected speech
            k = min(r.randint(600, 1700), len(x), len(pieces[-1]))
            pieces[-1][-k:] += x[:k]
            x = x[k:]
        pieces += [np.zeros(gap, np.float32), x] if gap else [x]
    pcm = np.clip(np.concatenate(pieces), -32768, 32767).astype(np.int16)
    words = tuple(w for c in parts for w in c.words)
    return Clip(pcm, "joined:" + parts[0].set, parts[0].speaker, parts[0].sex, "joined", words)


def joined(clips: Sequence[Clip], count: int, seed: int) -> list[Clip]:
    """Sentences from single words of one speaker, or of one set when the speaker said too few."""
    r = random.Random(seed)
    single = [level(c) for c in clips if c.kind in JOINABLE and len(c.words) <= 2 and len(c.pcm) < 2.5 * RATE]
    by_speaker: dict[str, dict[str, list[Clip]]] = defaultdict(lambda: defaultdict(list))
    for c in single:
        by_speaker[f"{c.set}/{c.speaker}"][" ".join(c.words)].append(c)
    rich = [s for s, w in by_speaker.items() if "freeswitch" in s or "asterisk" in s]
    digit = {s: [x for x in w if x in texts.DIGITS] for s, w in by_speaker.items()}
    speakers = [s for s, d in digit.items() if len(d) >= 2]
    sets: dict[str, list[Clip]] = defaultdict(list)
    for c in single:
        sets[f"{c.set}/{c.sex}"].append(c)
    out: list[Clip] = []
    while len(out) < count:
        k = r.random()
        if k < 0.5 and rich:
            have = by_speaker[r.choice(rich)]
            maker = r.choices([texts.number, texts.spelled, texts.bare], [0.6, 0.2, 0.2])[0]
            words = maker(r).split()
            if not 2 <= len(words) <= 8 or any(w not in have for w in words):
                continue
            out.append(join([r.choice(have[w]) for w in words], r))
        elif k < 0.8 and speakers:
            s = r.choice(speakers)
            chosen = [r.choice(by_speaker[s][r.choice(digit[s])]) for _ in range(r.randint(2, 6))]
            out.append(join(chosen, r))
        else:
            pool = sets[r.choice(sorted(sets))]
            out.append(join([r.choice(pool) for _ in range(r.randint(2, 4))], r))
    return out


def _speak(job: tuple[str, int, int, list[str], str | None]) -> list[tuple[synth.Said, str, str]]:
    engine, seed, count, words, root = job
    r = random.Random(seed)
    jobs = []
    for _ in range(count):
        text = texts.sentence(r, words)
        if engine != "espeak" and any(synth.letter_a(text.split())):
            text = " ".join(w for w in text.split() if w != "a") or "one"
        jobs.append((synth.voice(r, engine), text))
    said = synth.speak(jobs, Path(root) if root else None)
    return [(p, t, v.speaker) for p, (v, t) in zip(said, jobs, strict=True) if p is not None]


def spoken(
    counts: dict[str, int], words: list[str], seed: int, root: Path | None, workers: int, seconds: float
) -> list[Clip]:
    """Synthetic sentences, ``counts`` of each engine, stopping after ``seconds``."""
    size = 40
    jobs = []
    for engine, count in counts.items():
        for i in range(-(-count // size)):
            jobs.append((engine, seed + 7919 * i + 13 * len(engine), size, words, str(root) if root else None))
    random.Random(seed).shuffle(jobs)
    begin, out = time.monotonic(), []
    with ProcessPoolExecutor(workers) as pool:
        for done in pool.map(_speak, jobs):
            for said, text, speaker in done:
                told = tuple(text.split())
                out.append(Clip(said.pcm, speaker.split(":")[0], speaker, "?", "synthetic", told, said.segments))
            if time.monotonic() - begin > seconds:
                pool.shutdown(wait=False, cancel_futures=True)
                break
    return out


def fold(words: tuple[str, ...]) -> tuple[str, ...]:
    """Transcripts' spellings to the lexicon's."""
    text = " ".join(words)
    for a, b in SAME_WORD.items():
        text = text.replace(a, b) if a in text else text
    return tuple(text.split())


def share(clip: Clip) -> tuple[str, float]:
    """Group of a clip for sampling, and its weight within the group."""
    if clip.kind == "joined":
        return "joined", 1.0
    if clip.kind == "synthetic":
        return clip.set, 1.0
    if clip.kind in ("number", "letters", "nato"):
        female = clip.sex.startswith("f")
        return "numbers", 4.0 if female else 0.25 if clip.set == "fsdd" else 1.0
    return clip.set, 1.0


MIX = {
    "numbers": 0.11,
    "joined": 0.15,
    "espeak": 0.12,
    "flite": 0.08,
    "festival": 0.06,
    "joe": 0.06,
    "pico": 0.09,
    "rhvoice": 0.08,
    "librispeech": 0.1,
    "speech_commands": 0.06,
    "asterisk_allison": 0.06,
    "freeswitch_callie": 0.06,
    "picovoice_coffee": 0.03,
    "picovoice_wake": 0.02,
    "gcompris_words": 0.03,
    "dctts_reader": 0.03,
    "silence": 0.03,
}

OTHER = 0.1
"""Share of a group that the mixture does not name."""


class Corpus:
    """All audio in one array, with the utterances in it."""

    def __init__(self, clips: Iterable[Clip], longest: float = 17.0) -> None:
        """Lay the clips one after another; too long or too short ones are left out."""
        kept = [c for c in clips if 0.15 * RATE < len(c.pcm) < longest * RATE and c.words]
        quiet = Clip(np.zeros(6 * RATE, np.int16), "silence", "", "?", "silence", (), (("SIL", 6.0),))
        kept += [quiet]
        self.audio = np.concatenate([c.pcm for c in kept])
        sizes: dict[str, float] = defaultdict(float)
        shares = [share(c) for c in kept]
        for group, weight in shares:
            sizes[group] += weight
        total = sum(MIX.get(g, OTHER) for g in sizes)
        self.utterances: list[Utterance] = []
        at = 0
        for c, (group, weight) in zip(kept, shares, strict=True):
            w = MIX.get(group, OTHER) / total * weight / sizes[group]
            units = ends = None
            if c.segments:
                units = np.array([UNIT_NUMBER[u] for u, _ in c.segments], np.int16)
                ends = np.array([t for _, t in c.segments], np.float32)
            self.utterances.append(Utterance(at, len(c.pcm), fold(c.words), w, group, units, ends))
            at += len(c.pcm)


class Speller:
    """Words to units, in-vocabulary words as phones, others as phones or as garbage."""

    def __init__(self, lexicon: Lexicon, vocabulary: set[str]) -> None:
        """Use a lexicon; words of ``vocabulary`` are never garbage."""
        self.lexicon, self.vocabulary = lexicon, vocabulary
        self.cache: dict[str, list[list[int]]] = {}

    def pronunciations(self, word: str) -> list[list[int]]:
        """Units of each pronunciation; garbage for an unknown word."""
        if word not in self.cache:
            found = [[UNIT_NUMBER[p] for p in spoken] for spoken in self.lexicon.get(word)]
            self.cache[word] = found or [[UNIT_NUMBER[GARBAGE]]]
        return self.cache[word]

    def units(self, words: Sequence[str], garbage: bool, r: random.Random) -> tuple[list[int], list[bool]]:
        """Units of one way to say the words, with optional silence around each."""
        units, optional = [0], [True]
        for w in words:
            if garbage and w not in self.vocabulary:
                chosen = [UNIT_NUMBER[GARBAGE]]
            else:
                chosen = r.choice(self.pronunciations(w))
            units += [*chosen, 0]
            optional += [False] * len(chosen) + [True]
        if len(units) == 1:
            units, optional = [0, 0], [False, True]
        return units, optional


def other_throats(clips: Sequence[Clip], part: float, seed: int, workers: int) -> list[Clip]:
    """A part of the clips again, each from another throat; espeak-ng has many of its own."""
    r = random.Random(seed)
    chosen = [c for c in clips if c.words and c.set != "espeak" and r.random() < part]
    return throats.others(chosen, seed, workers) if chosen else []


def load(packs: Sequence[Path], joins: int, seed: int) -> list[Clip]:
    """Clips of all packs and sentences joined from their single words."""
    clips = [c for p in packs for c in read_pack(p)]
    real = [c for c in clips if c.kind != "synthetic"]
    return clips + joined(real, joins, seed) if real and joins else clips
