"""Sentences of a procedure by never-trained voices, clean and in noise, through the real conversation."""

from __future__ import annotations

from collections import defaultdict

from tests.bench.hearing_setup import LEVELS, Ear, Setup, job_ear
from tests.bench.hearing_sounds import surrounded
from tests.bench.hearing_tables import Report, share, table
from tests.bench.hearing_talk import outcome
from tests.bench.hearing_texts import SHARES

ALL = "all"


def readings(setup: Setup, level: int | None) -> Report:
    """All sentences at one level of noise; ``counts`` holds (kind or voice, level): n, right, wrong taken, asked back,
    step taken, word for word."""
    report, ear = Report(), job_ear(setup)
    tally: dict[str, list[int]] = defaultdict(lambda: [0] * 6)
    said, chosen = setup.said(), setup.lines()
    with setup.desk() as desk:
        for i, (line, sound) in enumerate(zip(chosen, said.each([one.words for one in chosen]), strict=True)):
            heard = ear(surrounded(sound.samples, level, i))
            meant, became = desk.meant(line.words), desk.became(line.words, heard)
            found = outcome(meant, became)
            exact = [word.text for one in heard for word in one.words] == line.words.split()
            for name in (ALL, line.kind, sound.set):
                for j, v in enumerate((1, found.right, found.wrong_unasked, found.asked, found.step_unasked, exact)):
                    tally[name][j] += v
            if found.wrong_unasked:
                wrong = ", ".join(f"{kind} {of} {what}" for kind, of, what in set(became.accepted) - set(meant.all))
                text = " / ".join(one.text for one in heard)
                report.say(
                    f"    {level or 'clean'}, {sound.set}: {line.words!r}, by the sound {text!r}, taken as {wrong}"
                )
    report.counts = {(name, str(level)): tuple(row) for name, row in tally.items()}
    n, right, wrong, asked, *_ = tally[ALL]
    report.figures[f"right {level}"] = 100 * right / n
    report.figures[f"wrong {level}"] = 100 * wrong / n
    report.figures[f"asked {level}"] = 100 * asked / max(1, right)
    return timed(report, ear)


def timed(report: Report, ear: Ear) -> Report:
    """The report with the ear's stopwatch."""
    report.heard_s, report.took_s = ear.heard_s, ear.took_s
    return report


def joined(setup: Setup, reports: list[Report]) -> str:
    """One table of the levels that were measured."""
    counts = {key: row for report in reports for key, row in report.counts.items()}
    levels = [level for level in LEVELS if (ALL, str(level)) in counts]
    names = {name for name, _ in counts}
    order = [ALL, *(kind for kind in SHARES if kind in names), *sorted(names - {ALL, *SHARES})]
    rows: list[list[object]] = []
    for name in order:
        row: list[object] = [name, counts[name, str(levels[0])][0]]
        for level in levels:
            n, right, wrong, asked, *_ = counts[name, str(level)]
            row.append(f"{share(right, n)} ({share(wrong, n)} / {share(asked, right)})")
        rows.append(row)
    heads = ["clean" if level is None else f"{level} dB" for level in levels]
    voices = "voices that were TRAINED ON (tuning)" if setup.tuning else "voices never trained on"
    title = f"{setup.job.name}: sentences by {voices}"
    first = "right % (wrong and taken unasked % / right but asked back %)"
    steps = sum(counts[ALL, str(level)][4] for level in levels)
    exact = ", ".join(f"{share(counts[ALL, str(v)][5], counts[ALL, str(v)][0])}" for v in levels)
    return (
        table(title, (first, "n", *heads), rows)
        + f"\n  word for word right %: {exact}; stages, sign-offs or withdrawals wrongly taken, all levels: {steps}"
    )
