"""One entry of the record as a reader is shown it: what it is about, what it says, how it stands, what it replaced."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from capture.review import wording as w
from capture.review.badges import NOT_ACCEPTED, OUTCOMES, SEVERITIES, UNCONFIRMED, Badge
from capture.review.describe import describe, mapping
from capture.review.names import Names
from capture.review.strip import limit_strip

if TYPE_CHECKING:
    from capture.record import Row

VALUE_KINDS = frozenset(
    {"identity", "instrument", "stage", "reading", "turn", "check", "part", "photo_asked", "photo", "note", "sign_off"}
)
"""Kinds of entries that stand until they are replaced or withdrawn."""


@dataclass(frozen=True)
class ShownWarning:
    """A warning with its severity as a badge; ``title`` is the warning's id in words."""

    severity: str
    title: str
    sentence: str
    todo: str

    @property
    def badge(self) -> Badge:
        """The severity as a badge."""
        return SEVERITIES.get(self.severity, SEVERITIES["warning"])


@dataclass(frozen=True, eq=False)
class Item:
    """One entry. ``name`` is what it is about and ``value`` what it says; ``facts`` are (label, text) pairs."""

    row: Row
    kind: str
    stage: str | None
    subject: str | None
    status: str
    words: str
    label: str
    name: str
    value: str
    facts: tuple[tuple[str, str], ...]
    badges: tuple[Badge, ...]
    warnings: tuple[ShownWarning, ...]
    verdict: Mapping[str, Any] | None = None
    advice: tuple[str, str] | None = None
    replaces: str | None = None
    strip: Markup | None = None

    @property
    def anchor(self) -> str:
        """The entry's place in the page."""
        return f"row-{self.row.seq}"

    @property
    def data(self) -> Mapping[str, Any]:
        """The entry's own data."""
        return mapping(self.row.body.get("data"))

    @property
    def outcome(self) -> str | None:
        """pass, fail, undecided or not_judged, when there is a verdict."""
        return None if self.verdict is None else str(self.verdict.get("outcome"))


def item_of(row: Row, names: Names) -> Item:
    """Describe one row. A row of an unknown kind or with an odd body is shown as what it holds; nothing raises."""
    body = row.body
    data = mapping(body.get("data"))
    subject = None if body.get("subject") is None else w.plain(body["subject"])
    said = describe(row.kind, data, subject, names)
    verdict = mapping(body.get("verdict")) or None
    status = w.plain(body.get("status")) or "accepted"
    return Item(
        row=row,
        kind=row.kind,
        stage=None if body.get("stage") is None else w.plain(body["stage"]),
        subject=subject,
        status=status,
        words=w.plain(body.get("words")),
        label=said.label or w.titled(row.kind),
        name=said.name,
        value=said.value,
        facts=tuple(said.facts + _verdict_facts(verdict)),
        badges=tuple(_badges(row.kind, status, verdict, said.badges)),
        warnings=tuple(_warnings(body.get("warnings"))),
        verdict=verdict,
        advice=_advice(body.get("advice")),
        replaces=None if body.get("replaces") is None else w.plain(body["replaces"]),
        strip=limit_strip(verdict) if verdict else None,
    )


def _verdict_facts(verdict: Mapping[str, Any] | None) -> list[tuple[str, str]]:
    if verdict is None:
        return []
    limits = w.limits(verdict.get("low"), verdict.get("high"), verdict.get("unit"))
    rule = w.plain(verdict.get("rule")).split(": ")[0]
    return [("limits", limits), ("decided by", rule)] if rule else [("limits", limits)]


def _badges(kind: str, status: str, verdict: Mapping[str, Any] | None, own: list[Badge]) -> list[Badge]:
    found = list(own)
    if verdict is not None:
        found.insert(0, OUTCOMES.get(str(verdict.get("outcome")), OUTCOMES["not_judged"]))
    if status == "unconfirmed":
        found.append(UNCONFIRMED)
    elif status == "not_accepted" and kind not in {"refused", "not_understood"}:
        found.append(NOT_ACCEPTED)
    return found


def _warnings(value: Any) -> list[ShownWarning]:
    listed = [mapping(item) for item in value] if isinstance(value, list) else []
    return [
        ShownWarning(
            w.plain(x.get("severity")), w.titled(x.get("id")), w.plain(x.get("sentence")), w.plain(x.get("todo"))
        )
        for x in listed
        if x
    ]


def _advice(value: Any) -> tuple[str, str] | None:
    advice = mapping(value)
    return (w.plain(advice.get("sentence")), w.plain(advice.get("caution"))) if advice else None
