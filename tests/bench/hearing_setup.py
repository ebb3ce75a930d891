"""What all parts of the measurement share: what is measured with which sounds, and recognisers with a stopwatch."""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

from capture.bench.hearing import expected
from capture.procedure import find, load_procedure
from capture.procedure.language import DIGIT_NAMES, DIGITS, ICAO, LETTERS
from capture.procedure.model import Procedure
from capture.record import Record
from capture.speech import Heard, Recogniser
from tests.bench.hearing_sounds import Samples, pcm
from tests.bench.hearing_talk import Desk
from tests.bench.hearing_texts import Line, lines
from tests.bench.hearing_voices import TUNING, Said, measuring

LEVELS = (None, 20, 10, 5)
SEED = 4242


@dataclass(frozen=True)
class Setup:
    """What is measured.

    Attributes:
        keep: folder for the spoken sounds.
        packages: folder with Python packages of voices and other recognisers, or None.
        model: a model directory, None for the embedded one.
        procedure: id or file.
        quick: a fifth of everything.
        tuning: the voices that were trained on instead of those that never were.
    """

    keep: Path
    packages: Path | None = None
    model: Path | None = None
    procedure: str = "lever_valve"
    quick: bool = False
    tuning: bool = False

    def part(self, count: int) -> int:
        """How many of so many."""
        return max(1, count // 5) if self.quick else count

    def every(self, step: int) -> int:
        """Every so manieth."""
        return step * 5 if self.quick else step

    @cached_property
    def job(self) -> Procedure:
        """The procedure."""
        return load_procedure(find(self.procedure))

    def said(self, *, slow: bool = True) -> Said:
        """The voices, with their folder; ``slow``: also those that take as long as they speak."""
        if self.packages is not None and str(self.packages) not in sys.path:
            sys.path.append(str(self.packages))
        voices = TUNING if self.tuning else measuring(slow=slow)
        return Said(voices, self.keep)

    def lines(self) -> list[Line]:
        """The sentences of the procedure that are spoken; a fifth of them is the first fifth."""
        return lines(self.job, 560, SEED)[: self.part(560)]

    @contextmanager
    def desk(self) -> Iterator[Desk]:
        """A bench with a record that is thrown away."""
        with tempfile.TemporaryDirectory() as folder, Record.create(Path(folder) / "record") as record:
            yield Desk(record, self.job)


class Ear:
    """A recogniser with a stopwatch of processor time, which other programs on the machine do not disturb."""

    def __init__(self, **kind: Any) -> None:
        """Load, and take the time of it."""
        begin = time.process_time()
        self.recogniser = Recogniser(**kind)
        self.start_s = time.process_time() - begin
        self.heard_s = self.took_s = 0.0

    def __call__(self, x: Samples) -> list[Heard]:
        """All that is heard in a sound by itself."""
        data = pcm(x)
        begin = time.process_time()
        heard = self.recogniser.hear(data)
        self.took_s += time.process_time() - begin
        self.heard_s += len(data) / 2 / 16000
        return heard

    def words(self, x: Samples) -> list[str]:
        """The words heard in a sound, each in one spelling."""
        return plain([word.text for heard in self(x) for word in heard.words])


def job_ear(setup: Setup, **more: Any) -> Ear:
    """The recogniser of the procedure, as the bench makes it."""
    said, words, spoken = expected(setup.job)
    return Ear(model_dir=setup.model, sentences=said, words=words, pronunciations=spoken, **more)


def list_ear(setup: Setup, words: Sequence[str], most: int = 1) -> Ear:
    """A recogniser that expects one to ``most`` of these words."""
    examples = [" ".join([word] * n) for word in words for n in range(1, most + 1)]
    return Ear(model_dir=setup.model, sentences=examples, words=words)


SINGLE = {"digits": DIGIT_NAMES, "letters": tuple(w for w in LETTERS if w != "oh"), "spelling": tuple(ICAO)}
"""Lists of words from which one is expected."""


@lru_cache(maxsize=1)
def _same() -> Mapping[str, str]:
    return {word: DIGIT_NAMES[value] for word, value in DIGITS.items()}


def plain(words: Sequence[str]) -> list[str]:
    """Words for the same digit ("fife", "niner", "oh") as one."""
    return [_same().get(word, word) for word in words]
