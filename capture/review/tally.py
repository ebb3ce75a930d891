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
    headline, sentence = _headline(story, unconfirmed)
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


def _put_right(story: Story) -> set[str]:
    """Row ids of readings that were not within their limits and that a later, accepted reading of the same thing
    found within its own: the unit as received, or a step on the way."""
    last = {
        item.subject: item.row.seq
        for item in story.each("reading")
        if item.outcome == "pass" and item.status == "accepted"
    }
    return {
        item.row.id
        for item in story.each("reading")
        if item.outcome in {"fail", "undecided"} and item.row.seq < last.get(item.subject, 0)
    }


def _headline(story: Story, unconfirmed: int) -> tuple[Badge, str]:
    right = _put_right(story)
    left = Counter(item.outcome for item in story.each("reading") if item.row.id not in right)
    open_ = [raised for raised in story.raised if not all(item.row.id in right for item in raised.items)]
    severities = Counter(raised.warning.severity for raised in open_)
    reasons = []
    if left["fail"]:
        reasons.append(w.count(left["fail"], "reading") + " out of limits")
    if left["undecided"]:
        reasons.append(w.count(left["undecided"], "reading") + " undecided")
    if unconfirmed:
        reasons.append(w.count(unconfirmed, "entry", "entries") + " not confirmed")
    if severities["stop"]:
        reasons.append(w.count(severities["stop"], "stop"))
    if severities["warning"]:
        reasons.append(w.count(severities["warning"], "warning"))
    if not story.ended:
        reasons.append("the job was not ended")
    sentence = (", ".join(reasons) or "Every last reading that has limits is within them") + "."
    sentence = sentence[0].upper() + sentence[1:]
    if right:
        sentence += f" Besides, {w.count(len(right), 'earlier reading')} not within limits, followed by one that is."
    if left["fail"] or severities["stop"]:
        return Badge("✕", "Not in order", BAD), sentence
    if reasons:
        return Badge("?", "To be looked into", OPEN), sentence
    return Badge("✓", "Nothing objected to", GOOD), sentence
