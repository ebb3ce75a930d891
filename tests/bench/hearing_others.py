"""Other offline recognisers on the same sounds, with the same sentences as grammar, beside ours.

Each is left out, with a sentence, where its Python package cannot be imported: ``pocketsphinx`` and
``moonshine-voice==0.1.0``. They are slower, so that all take a fair part of the whole: the first tenth of the sentences
(which are in random order), every tenth of the real digits and of the recorded clips of talk. Their figures do not
depend on our model and are kept beside the spoken sounds, by what the sentences are; remove the ``.json`` files there
to measure them again.
"""

from __future__ import annotations

import hashlib
import json
import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from capture.bench.hearing import examples
from capture.phrases import pronunciations, vocabulary
from capture.procedure.language import DIGIT_NAMES
from capture.speech.language import UNKNOWN, VALUE_CLASSES, Weights, WordNetwork, network
from capture.speech.lexicon import Lexicon
from tests.bench.hearing_people import known
from tests.bench.hearing_setup import Ear, Setup, job_ear, list_ear, plain
from tests.bench.hearing_sounds import RATE, Samples, Sound, pcm, recorded, surrounded
from tests.bench.hearing_tables import Report, errors, share
from tests.bench.hearing_talk import Desk, Stored, outcome
from tests.bench.hearing_texts import Line

SENTENCES, EVERY = 56, 10
LEVELS = (None, 20, 10)
OURS = "ours"
MOST_STATES = 3000
"""Of a frame, in pocketsphinx: without a bound it takes some times as long as the sound lasts."""


class Other(Protocol):
    """A recogniser that is given a grammar when it is made. None: it takes the sound for nothing of its own."""

    def __call__(self, x: Samples) -> list[str] | None: ...


class Sphinx:
    """pocketsphinx with a finite-state grammar."""

    def __init__(self, grammar: WordNetwork, lexicon: Lexicon) -> None:
        """Load it; ImportError where the package is missing."""
        from pocketsphinx import Config, Decoder

        settings = {"samprate": RATE, "loglevel": "FATAL", "lm": None, "dict": None, "maxhmmpf": MOST_STATES}
        self.decoder = Decoder(Config(**settings))
        for word in sorted(grammar.words - {UNKNOWN}):
            for i, spoken in enumerate(lexicon.get(word)):
                self.decoder.add_word(word if i == 0 else f"{word}({i + 1})", " ".join(spoken), False)
        last = len(grammar.edges)
        arcs: list[tuple[object, ...]] = [
            (s, e.next, math.exp(-e.cost), e.word)
            for s, row in enumerate(grammar.edges)
            for e in row
            if e.word != UNKNOWN
        ]
        arcs += [(s, last, math.exp(-cost)) for s, cost in grammar.final.items()]
        self.decoder.add_fsg("job", self.decoder.create_fsg("job", grammar.start, last, arcs))
        self.decoder.activate_search("job")

    def __call__(self, x: Samples) -> list[str] | None:
        """The words of one utterance."""
        self.decoder.start_utt()
        self.decoder.process_raw(pcm(x), full_utt=True)
        self.decoder.end_utt()
        found = self.decoder.hyp()
        return [] if found is None else [w.split("(")[0] for w in found.hypstr.split()]


def grammar_of(examples: Sequence[str], words: frozenset[str]) -> WordNetwork:
    """Which words may follow which, from the same sentences: strictly, since neither has a way out of its grammar."""
    rows = [tuple(text.split()) for text in examples]
    return network(rows, words & {w for row in rows for w in row}, VALUE_CLASSES, Weights(order=2, pure=True))


class Taken(Protocol):
    """A recogniser with what becomes of its words."""

    def words(self, x: Samples) -> list[str]:
        """What is heard in a sound."""

    def became(self, desk: Desk, words: str, x: Samples) -> Stored:
        """What a session stores of a sound in which ``words`` were said."""


class Bare:
    """Another recogniser: its words are taken as they are."""

    def __init__(self, hears: Other) -> None:
        self._hears = hears

    def words(self, x: Samples) -> list[str]:
        """As in ``Taken``."""
        return plain(self._hears(x) or [])

    def became(self, desk: Desk, words: str, x: Samples) -> Stored:
        """As in ``Taken``."""
        got = self._hears(x)
        return desk.typed(words, got) if got else Stored((), ())


class Ours:
    """Our own, with its doubts."""

    def __init__(self, ear: Ear) -> None:
        self._ear = ear

    def words(self, x: Samples) -> list[str]:
        """As in ``Taken``."""
        return self._ear.words(x)

    def became(self, desk: Desk, words: str, x: Samples) -> Stored:
        """As in ``Taken``."""
        return desk.became(words, self._ear(x))


Maker = Callable[[WordNetwork], Taken]


@dataclass(frozen=True)
class Trial:
    """The same sounds for all."""

    lines: Sequence[Line]
    sounds: Sequence[Sound]
    digits: Sequence[Sound]
    talk: Sequence[Sound]


def others(setup: Setup) -> Report:
    """Ours and the others on the same sounds."""
    report = Report()
    said = examples(setup.job)
    job = grammar_of(said, vocabulary(setup.job))
    digits = grammar_of([" ".join(["one"] * n) for n in range(1, 9)] + list(DIGIT_NAMES), frozenset(DIGIT_NAMES))
    lexicon = Lexicon({word: list(ways) for word, ways in pronunciations(setup.job).items()})
    lines = setup.lines()[: setup.part(SENTENCES)]
    ours = {(s.set, s.words) for s in known(setup)}
    people = list(recorded())
    trial = Trial(
        lines,
        list(setup.said().each([line.words for line in lines])),
        [s for s in people if s.words in DIGIT_NAMES][:: setup.every(EVERY)],
        [s for s in people if (s.set, s.words) not in ours][:: setup.every(EVERY)],
    )
    makers: dict[str, Maker] = {
        OURS: lambda grammar: Ours(list_ear(setup, DIGIT_NAMES, 8) if grammar is digits else job_ear(setup)),
        "pocketsphinx": lambda grammar: Bare(Sphinx(grammar, lexicon)),
        "moonshine tiny, beam in the grammar": _moonshine,
    }
    rows = []
    heard = hashlib.sha256("\n".join(line.words for line in lines).encode()).hexdigest()
    with setup.desk() as desk:
        for name, make in makers.items():
            kept = setup.keep / f"{name.split()[0]}-{heard[:12]}-{len(lines)}.json"
            try:
                if name == OURS or not kept.is_file():
                    rows.append([name, *_row(desk, make, job, digits, trial)])
                else:
                    rows.append(json.loads(kept.read_text(encoding="utf-8")))
            except ImportError as error:
                report.say(f"  {name} is left out: {error}")
                continue
            if name != OURS:
                kept.write_text(json.dumps(rows[-1]), encoding="utf-8")
    levels = ("clean" if level is None else f"{level} dB" for level in LEVELS)
    head = ("right % (wrong value taken unasked %)", "digits", *levels, "talk", "real time")
    report.table(
        f"Others on the same {len(lines)} sentences, {len(trial.digits)} real digits (word errors %) and "
        f"{len(trial.talk)} recorded clips of talk (readings stored an hour)",
        head,
        rows,
    )
    return report


def _row(desk: Desk, make: Maker, job: WordNetwork, digits: WordNetwork, trial: Trial) -> list[str]:
    one = make(digits)
    wrong = sum(
        errors(plain(s.words.split()), one.words(surrounded(s.samples, None, i))) for i, s in enumerate(trial.digits)
    )
    row = [share(wrong, len(trial.digits))]
    one = make(job)
    took = heard_s = 0.0
    for level in LEVELS:
        right = bad = 0
        for i, (line, sound) in enumerate(zip(trial.lines, trial.sounds, strict=True)):
            x = surrounded(sound.samples, level, i)
            begin = time.process_time()
            became = one.became(desk, line.words, x)
            took, heard_s = took + time.process_time() - begin, heard_s + len(x) / RATE
            found = outcome(desk.meant(line.words), became)
            right, bad = right + found.right, bad + found.wrong_unasked
        row.append(f"{share(right, len(trial.lines))} ({share(bad, len(trial.lines))})")
    taken = [one.became(desk, s.words, surrounded(s.samples, None, i)) for i, s in enumerate(trial.talk)]
    stored = sum(kind == "reading" for became in taken for kind, _, _ in became.accepted)
    hours = sum(len(s.samples) for s in trial.talk) / RATE / 3600
    return [*row, f"{stored / hours:.0f}", f"{took / heard_s:.3f}"]


def _moonshine(grammar: WordNetwork) -> Taken:
    from tests.bench.hearing_moonshine import Moonshine

    return Bare(Moonshine(grammar))
