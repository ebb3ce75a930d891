"""How something stands, as a symbol and words: never by colour alone."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Badge:
    """How something stands: a symbol and words, never colour alone. ``tone`` is good, bad, open or quiet."""

    symbol: str
    words: str
    tone: str


GOOD, BAD, OPEN, QUIET = "good", "bad", "open", "quiet"

OUTCOMES = {
    "pass": Badge("✓", "within limits", GOOD),
    "fail": Badge("✕", "out of limits", BAD),
    "undecided": Badge("?", "undecided", OPEN),
    "not_judged": Badge("–", "not judged", QUIET),
}
SEVERITIES = {
    "stop": Badge("■", "stop", BAD),
    "warning": Badge("▲", "warning", OPEN),
    "notice": Badge("●", "notice", QUIET),
}
UNCONFIRMED = Badge("○", "not confirmed", OPEN)
NOT_ACCEPTED = Badge("⊘", "not accepted", OPEN)
DECIDED = {
    "accepted": Badge("✓", "accepted in review", GOOD),
    "queried": Badge("?", "queried in review", OPEN),
    "rejected": Badge("✕", "rejected in review", BAD),
    "commented": Badge("“", "comment", QUIET),
    "taken_back": Badge("↶", "decision taken back", QUIET),
}
