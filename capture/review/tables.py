"""The report's tables: readings, turns, kit, instruments, signatures, decision rules, files."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from capture.review import wording as w
from capture.review.badges import BAD, GOOD, OPEN, QUIET, Badge
from capture.review.items import Item
from capture.review.names import Names
from capture.review.story import Story

if TYPE_CHECKING:
    from capture.record import MediaRef
    from capture.record.signatures import Signed


def readings(story: Story, names: Names) -> list[tuple[str, list[Item]]]:
    """The standing readings: name, and its values in the order in which they were taken."""
    groups: dict[str, list[Item]] = {}
    for item in sorted(story.each("reading"), key=lambda item: names.position("reading", item.subject)):
        groups.setdefault(item.name, []).append(item)
    return list(groups.items())


@dataclass(frozen=True)
class TurnLine:
    """How far a counter was turned in one stage: the sum of the moves, the net turn, how many moves."""

    counter: str
    stage: str
    total: str
    net: str
    moves: int
    allowed: str


def turn_lines(story: Story, names: Names) -> list[TurnLine]:
    """Turns by counter and stage, of the moves that stand."""
    groups: dict[tuple[str | None, str | None], list[Fraction]] = {}
    for item in story.each("turn"):
        amount = _fraction(item.data.get("turns"))
        if amount is not None:
            groups.setdefault((item.subject, item.stage), []).append(amount)
    return [
        TurnLine(
            counter=names.of("turn", counter),
            stage=names.stage(stage),
            total=w.turns(str(sum(map(abs, moves)))),
            net=w.turns(str(sum(moves))),
            moves=len(moves),
            allowed=_allowed(names, counter, stage),
        )
        for (counter, stage), moves in groups.items()
    ]


def _allowed(names: Names, counter: str | None, stage: str | None) -> str:
    for known in names.procedure.counters if names.procedure else ():
        for budget in known.budgets if known.id == counter else ():
            if budget.stage == stage:
                moves = "" if budget.moves is None else f", in {w.count(budget.moves, 'move')}"
                return f"{w.turns(str(budget.turns))}{moves}"
    return "no budget given"


def _fraction(text: Any) -> Fraction | None:
    try:
        return Fraction(str(text))
    except (ValueError, ZeroDivisionError):
        return None


@dataclass(frozen=True)
class KitLine:
    """One part of the kit: how many there are, went in and came out, and how that adds up."""

    name: str
    kit: str
    fitted: int
    removed: str
    lots: str
    badge: Badge


def kit_lines(story: Story, names: Names) -> list[KitLine]:
    """The kit's balance, counted from the accepted entries that stand."""
    counts: Counter[tuple[str | None, str]] = Counter()
    lots: dict[str | None, list[str]] = {}
    unconfirmed: set[str | None] = set()
    for item in story.each("part"):
        if item.status != "accepted":
            unconfirmed.add(item.subject)
            continue
        counts[item.subject, w.plain(item.data.get("action"))] += _whole(item.data.get("quantity"))
        if item.data.get("lot"):
            lots.setdefault(item.subject, []).append(w.plain(item.data["lot"]))
    known = {part.id: part for part in names.procedure.parts} if names.procedure else {}
    lines = []
    for part in [*known, *(subject for subject, _ in counts if subject not in known)]:
        fitted, removed = counts[part, "fitted"], counts[part, "removed"]
        listed = known.get(part or "")
        renewed = listed.replaces_old if listed else True
        lines.append(
            KitLine(
                name=names.of("part", part),
                kit=str(listed.quantity) if listed else "not known",
                fitted=fitted,
                removed=str(removed) if renewed or removed else "none expected",
                lots=", ".join(dict.fromkeys(lots.get(part, ()))),
                badge=_balance(listed.quantity if listed else None, fitted, removed, renewed, part in unconfirmed),
            )
        )
    return lines


def _balance(kit: int | None, fitted: int, removed: int, renewed: bool, unconfirmed: bool) -> Badge:
    reasons = []
    if kit is not None and fitted < kit:
        reasons.append(f"{kit - fitted} of the kit left over")
    if kit is not None and fitted > kit:
        reasons.append(f"{fitted - kit} more fitted than in the kit")
    if renewed and removed < fitted:
        reasons.append(f"{fitted - removed} old not accounted for")
    if removed > fitted:
        reasons.append(f"{removed - fitted} more came out than went in")
    if unconfirmed:
        reasons.append("an entry is not confirmed")
    return Badge("✕", ", ".join(reasons), BAD) if reasons else Badge("✓", "balanced", GOOD)


def _whole(value: Any) -> int:
    return value if isinstance(value, int) else 0


@dataclass(frozen=True)
class GaugeLine:
    """One gauge that was named: kind, number, due date, and how many readings were taken with it."""

    item: Item
    name: str
    serial: str
    due: str
    used: int
    badge: Badge


def gauge_lines(story: Story) -> list[GaugeLine]:
    """The gauges named in the job, those whose calibration was overdue marked."""
    used = Counter(w.plain(item.data.get("instrument")) for item in story.each("reading"))
    lines = []
    for item in story.each("instrument"):
        serial, due = w.plain(item.data.get("serial")), w.plain(item.data.get("due"))
        if not due:
            badge = Badge("?", "due date not said", OPEN)
        elif due < item.row.at[:10]:
            badge = Badge("✕", "overdue", BAD)
        else:
            badge = Badge("✓", "in date", GOOD)
        lines.append(GaugeLine(item, item.name, serial or "not said", due or "not said", used[serial], badge))
    return lines


@dataclass(frozen=True)
class Signature:
    """A role, who signed it and when (RFC 3339), the row it is in (None: nobody has) and how it stands."""

    role: str
    person: str
    at: str
    row: int | None
    badge: Badge


def signatures(story: Story, names: Names, signed: Iterable[Signed]) -> list[Signature]:
    """Every role of the procedure and every role that was signed, by voice or with a key.

    Args:
        story: the job.
        names: the procedure's names.
        signed: the checked signatures of the job.
    """
    keyed = [_keyed(one, names) for one in signed]
    spoken = [_spoken(item) for item in story.each("sign_off")]
    found = keyed + spoken
    roles = [names.of("sign_off", role.id) for role in names.procedure.roles] if names.procedure else []
    open_ = [Signature(role, "", "", None, Badge("–", "not signed", QUIET)) for role in roles]
    held = {line.role for line in found}
    return sorted([*found, *(line for line in open_ if line.role not in held)], key=lambda line: _order(roles, line))


def _order(roles: list[str], line: Signature) -> tuple[int, int]:
    return (roles.index(line.role) if line.role in roles else len(roles), line.row or 0)


def _spoken(item: Item) -> Signature:
    person = w.plain(item.data.get("person")) or "name not known"
    good = item.status == "accepted"
    badge = Badge("✓", "signed by voice", GOOD) if good else Badge("○", "not confirmed", OPEN)
    return Signature(item.name, person, item.row.at, item.row.seq, badge)


def _keyed(one: Signed, names: Names) -> Signature:
    if one.faults:
        badge = Badge("✕", "signature does not hold", BAD)
    elif one.after:
        badge = Badge("?", f"signature holds, {w.count(len(one.after), 'entry', 'entries')} came after it", OPEN)
    else:
        badge = Badge("✓", "signature holds", GOOD)
    return Signature(names.of("sign_off", one.role), one.person, one.at, one.row, badge)


def rules(story: Story) -> list[str]:
    """The decision rules that verdicts of the job name, each once."""
    return _once(item.verdict.get("rule") for item in story.items if item.verdict)


def limit_sources(story: Story) -> list[str]:
    """Where the limits come from, each source once."""
    return _once(item.verdict.get("source") for item in story.items if item.verdict)


def _once(values: Iterable[Any]) -> list[str]:
    return list(dict.fromkeys(w.plain(value) for value in values if value))


@dataclass(frozen=True)
class FileLine:
    """A file of the job and the rows that point to it."""

    ref: MediaRef
    rows: str


def file_lines(story: Story) -> list[FileLine]:
    """Every file that the job's rows point to, in the order of the rows."""
    rows: dict[MediaRef, list[int]] = {}
    for item in story.items:
        for ref in item.row.media:
            rows.setdefault(ref, []).append(item.row.seq)
    return [FileLine(ref, ", ".join(map(str, dict.fromkeys(seqs)))) for ref, seqs in rows.items()]
