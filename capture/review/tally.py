"""What stands in a job, counted, and summed up in one headline."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from capture.review import wording as w
from capture.review.badges import BAD, GOOD, OPEN, Badge
from capture.review.items import Item
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


def put_right(story: Story) -> set[str]:
    """Row ids of readings that were not within their limits, checks that were not as they should be and pictures that
    could not be measured, where a later, accepted entry about the same thing found it in order: the unit as received,
    or a step on the way."""
    last = {
        (item.kind, item.subject): item.row.seq
        for item in story.each("reading", "check", "photo")
        if _in_order(item) is True and item.status == "accepted"
    }
    return {
        item.row.id
        for item in story.each("reading", "check", "photo")
        if _in_order(item) is False and item.row.seq < last.get((item.kind, item.subject), 0)
    }


def _in_order(item: Item) -> bool | None:
    if item.kind == "check":
        good = item.data.get("good")
        return good if isinstance(good, bool) else None
    if item.kind == "photo":
        return {"measured": True, "refused": False}.get(w.plain(item.data.get("outcome")))
    return {"pass": True, "fail": False, "undecided": False}.get(item.outcome or "")


def _headline(story: Story, unconfirmed: int) -> tuple[Badge, str]:
    right = put_right(story)
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
    earlier = Counter(item.kind for item in story.standing if item.row.id in right)
    if readings := earlier["reading"]:
        sentence += f" Besides, {w.count(readings, 'earlier reading')} not within limits, followed by one that is."
    if checks := earlier["check"]:
        sentence += f" {w.count(checks, 'earlier check')} not as it should be, put right later."
    if left["fail"] or severities["stop"]:
        return Badge("✕", "Not in order", BAD), sentence
    if reasons:
        return Badge("?", "To be looked into", OPEN), sentence
    return Badge("✓", "Nothing objected to", GOOD), sentence
