"""What stands in a job, counted, and summed up in one headline."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from capture.review import wording as w
from capture.review.badges import BAD, GOOD, OPEN, Badge
from capture.review.story import Story


@dataclass(frozen=True)
class Tally:
    """What stands, counted."""

    passed: int
    failed: int
    undecided: int
    unconfirmed: int
    unlimited: int
    stops: int
    warnings: int
    notices: int
    replaced: int
    lost: int
    headline: Badge
    sentence: str


def tally(story: Story) -> Tally:
    """Count verdicts of standing readings, open confirmations and warnings, and sum them up in one headline."""
    outcomes = Counter(item.outcome for item in story.each("reading"))
    unconfirmed = sum(item.status == "unconfirmed" for item in story.standing)
    severities = Counter(raised.warning.severity for raised in story.raised)
    headline, sentence = _headline(story, outcomes, unconfirmed, severities)
    return Tally(
        passed=outcomes["pass"],
        failed=outcomes["fail"],
        undecided=outcomes["undecided"],
        unconfirmed=unconfirmed,
        unlimited=outcomes[None] + outcomes["not_judged"],
        stops=severities["stop"],
        warnings=severities["warning"],
        notices=severities["notice"],
        replaced=len(story.replaced_by),
        lost=sum(item.kind in {"refused", "not_understood"} for item in story.items),
        headline=headline,
        sentence=sentence,
    )


def _headline(
    story: Story, outcomes: Counter[str | None], unconfirmed: int, severities: Counter[str]
) -> tuple[Badge, str]:
    reasons = []
    if outcomes["fail"]:
        reasons.append(w.count(outcomes["fail"], "reading") + " out of limits")
    if outcomes["undecided"]:
        reasons.append(w.count(outcomes["undecided"], "reading") + " undecided")
    if unconfirmed:
        reasons.append(w.count(unconfirmed, "entry", "entries") + " not confirmed")
    if severities["stop"]:
        reasons.append(w.count(severities["stop"], "stop"))
    if severities["warning"]:
        reasons.append(w.count(severities["warning"], "warning"))
    if not story.ended:
        reasons.append("the job was not ended")
    sentence = (", ".join(reasons) or "Every reading that has limits is within them") + "."
    sentence = sentence[0].upper() + sentence[1:]
    if outcomes["fail"] or severities["stop"]:
        return Badge("✕", "Not in order", BAD), sentence
    if reasons:
        return Badge("?", "To be looked into", OPEN), sentence
    return Badge("✓", "Nothing objected to", GOOD), sentence
