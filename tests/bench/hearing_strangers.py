"""Speech that is not for the tool, and noise alone: what would a whole session of the bench have stored of it?

The sound runs through the recogniser as one stream, and all that is heard goes into one job, so that a question once
raised may be "confirmed" by what comes later, as it may in a workshop. No stage has begun, so that no limit raises a
question: that is the harder case.
"""

from __future__ import annotations

import random
import time
from collections import Counter
from collections.abc import Iterable, Iterator

import numpy as np

from tests.bench.hearing_people import known
from tests.bench.hearing_readings import timed
from tests.bench.hearing_setup import Ear, Setup, job_ear
from tests.bench.hearing_sounds import NOISES, RATE, Samples, loudness, noise, pcm, recorded, room
from tests.bench.hearing_tables import Report
from tests.bench.hearing_talk import VALUES, Desk, later
from tests.bench.hearing_texts import chatter
from tests.bench.hearing_voices import Said

PIECE_S = 30
SENTENCES, PAIRS, NOISE_PIECES = 330, 130, 120
_SILENCE_S = 2.0


class Stream:
    """One stream of sound into one job, counted."""

    def __init__(self, ear: Ear, desk: Desk) -> None:
        self.ear = ear
        self.session = desk.session()
        self.begun = desk.moment()
        self.seconds = 0.0
        self.utterances = 0
        self.examples: list[str] = []
        self.kinds: Counter[str] = Counter()

    def feed(self, x: Samples, told: str) -> None:
        """More sound; ``told`` is what was really said."""
        data = pcm(x)
        begin = time.process_time()
        found = self.ear.recogniser.accept(data)
        self.ear.took_s += time.process_time() - begin
        self.seconds += len(x) / RATE
        self.ear.heard_s += len(x) / RATE
        for heard in found:
            self.utterances += bool(heard.words)
            for one in self.session.hear(heard, later(self.begun, heard)):
                kind = one.entry.kind if one.entry.kind in VALUES else ("step", "talk")[one.entry.kind in _TALK]
                if one.entry.status == "not_accepted":
                    kind = "not taken"
                self.kinds[kind if one.entry.status != "unconfirmed" else "waits"] += 1
                if kind in VALUES and one.entry.status == "accepted":
                    self.examples.append(f"    {told[:60]!r}: {heard.text!r} stored as {kind}")

    @property
    def values(self) -> int:
        """Values stored without a question, or by a "confirm" that was none."""
        return sum(self.kinds[kind] for kind in VALUES)

    @property
    def row(self) -> tuple[object, ...]:
        """For the table."""
        hours = self.seconds / 3600
        others = (self.kinds["step"], self.kinds["talk"], self.kinds["waits"])
        rate = f"{self.kinds['reading'] / hours:.2f}"
        return (f"{self.seconds / 60:.1f}", self.utterances, self.values, self.kinds["reading"], rate, *others)


_TALK = ("command", "note", "refused", "not_understood")
HEAD = (
    "", "minutes", "utterances with words", "values stored", "readings stored", "readings an hour",
    "stages, photos, ...", "commands, notes", "asked back",
)  # fmt: skip


def strangers(setup: Setup) -> Report:
    """At least half an hour of talk."""
    report, ear = Report(), job_ear(setup)
    ours = {(s.set, s.words) for s in known(setup)}
    others = [s for s in recorded() if (s.set, s.words) not in ours]
    recordings = ((s.samples, s.words) for i, s in enumerate(others) if not (setup.quick and i % 5))
    voices = setup.said(slow=False)
    rows: list[tuple[object, ...]] = []
    sums, examples = [0.0, 0.0], []
    with setup.desk() as desk:
        for name, sounds in (
            ("recorded people", recordings),
            ("sentences by never-trained voices", _sentences(setup, voices)),
            ("two people talking", _pairs(setup, voices)),
        ):
            stream = Stream(ear, desk)
            _run(stream, sounds)
            rows.append((name, *stream.row))
            sums = [sums[0] + stream.kinds["reading"], sums[1] + stream.seconds]
            examples += stream.examples
    report.table("Speech that is not for the tool", ("stream", *HEAD[1:]), rows)
    report.say(f"  readings stored an hour, all together: {sums[0] / sums[1] * 3600:.2f} ({sums[1] / 60:.0f} minutes)")
    report.text += examples[:12]
    report.figures["strangers"] = sums[0] / sums[1] * 3600
    return timed(report, ear)


def _sentences(setup: Setup, voices: Said) -> Iterator[tuple[Samples, str]]:
    for sound in voices.each(chatter(setup.job, setup.part(SENTENCES), 77), "chatter"):
        yield sound.samples, sound.words


def _pairs(setup: Setup, voices: Said) -> Iterator[tuple[Samples, str]]:
    """Two at once, the second somewhat fainter and a little later."""
    texts = chatter(setup.job, setup.part(PAIRS), 78)
    names, rng = list(voices.voices), random.Random(79)
    for i, text in enumerate(texts):
        other = rng.choice(texts)
        a, b = voices.one(names[i % len(names)], text), voices.one(names[(i + 1) % len(names)], other)
        both = np.zeros(max(len(a), len(b) + RATE), np.float32)
        both[: len(a)] += a
        late = int(rng.uniform(0.0, 0.9) * RATE)
        both[late : late + len(b)] += np.float32(rng.uniform(0.3, 0.9)) * b
        yield both, f"{text} + {other}"


def _run(stream: Stream, sounds: Iterable[tuple[Samples, str]]) -> None:
    """Everything with pauses of 0.2 to 2 seconds between, so that it sometimes runs together."""
    rng = random.Random(80)
    for i, (x, words) in enumerate(sounds):
        level = np.float32(rng.uniform(0.03, 0.12) / max(1e-4, loudness(x)))
        pause = room(rng.uniform(0.2, _SILENCE_S), i)
        stream.feed(np.concatenate([x * level, pause]), words)
    stream.feed(room(_SILENCE_S, 1), "")


def noise_alone(setup: Setup) -> Report:
    """An hour of the three kinds of noise, loud and faint, alone and together."""
    report, ear = Report(), job_ear(setup)
    rng = random.Random(90)
    with setup.desk() as desk:
        stream = Stream(ear, desk)
        for i in range(setup.part(NOISE_PIECES)):
            names = [NOISES[i % 3], *rng.sample(NOISES, rng.choice((0, 0, 1)))]
            x = np.sum([noise(name, PIECE_S * RATE, 1000 + 10 * i + k) for k, name in enumerate(names)], axis=0)
            stream.feed(np.asarray(x * 10 ** rng.uniform(-2.2, -1.0), np.float32), " and ".join(names))
        report.table("Workshop noise alone", ("stream", *HEAD[1:]), [("noise", *stream.row)])
    report.text += stream.examples[:12]
    report.figures["noise"] = stream.values / stream.seconds * 3600
    return timed(report, ear)
