"""The whole of one job, arranged for reading: stage by stage, with what stands and what was replaced."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from capture.review import wording as w
from capture.review.badges import DECIDED, UNCONFIRMED
from capture.review.inline import Gallery, Shown
from capture.review.items import VALUE_KINDS, Item, ShownWarning, item_of
from capture.review.names import Names

if TYPE_CHECKING:
    from capture.record import Row

DOUBTFUL = 0.6
"""A word heard with less confidence than this is marked."""

_UNSPOKEN = frozenset({"stage_end", "job_end"})
_LAST_WORD = frozenset({"job_end", "reopened"})
_FRONT = frozenset({"opened", "source"})
_GRAVITY = {"stop": 0, "warning": 1, "notice": 2}


@dataclass(frozen=True)
class Word:
    """One recognised word; ``doubtful`` when it was heard with little confidence."""

    text: str
    confidence: float | None
    doubtful: bool


@dataclass(frozen=True)
class Block:
    """What came in at one moment, an utterance or a picture, and the entries it became."""

    row: Row
    items: tuple[Item, ...]
    words: tuple[Word, ...]
    doubts: tuple[str, ...]
    engine: str
    clip: Shown | None
    pictures: tuple[Shown, ...]
    measurement: Mapping[str, Any]

    @property
    def typed(self) -> bool:
        """True for words that were typed or chosen by hand: there is no sound to them."""
        return bool(self.words) and self.clip is None and self.engine == "keyboard"

    @property
    def text(self) -> str:
        """The words as heard."""
        return " ".join(word.text for word in self.words)


@dataclass(frozen=True)
class Section:
    """A stretch of the job in one stage, in the order in which it was recorded."""

    name: str
    anchor: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Raised:
    """A warning and the entries that raised it; the same warning raised again and again is one."""

    warning: ShownWarning
    items: tuple[Item, ...]


@dataclass(frozen=True)
class Story:
    """One job. ``standing`` are the entries that nothing replaced or withdrew and no reviewer rejected; ``replaced_by``
    maps an entry's id to the entry that took its place, ``decided`` to the reviewers' last decision on it."""

    items: tuple[Item, ...]
    sections: tuple[Section, ...]
    standing: tuple[Item, ...]
    replaced_by: Mapping[str, Item]
    raised: tuple[Raised, ...]
    settled: tuple[Raised, ...]
    opened: Item | None
    sources: tuple[Item, ...]
    ended: bool
    decided: Mapping[str, Item] = field(default_factory=dict)

    def find(self, id_: str | None) -> Item | None:
        """The entry with this id."""
        return next((item for item in self.items if item.row.id == id_), None)

    def rejected(self, item: Item) -> bool:
        """Whether a reviewer rejected the entry, so that it does not stand."""
        return decision_of(self.decided.get(item.row.id)) == "rejected"

    def each(self, *kinds: str) -> list[Item]:
        """The standing entries of these kinds, in order."""
        return [item for item in self.standing if item.kind in kinds]


def tell(rows: Sequence[Row], names: Names, gallery: Gallery) -> Story:
    """Arrange a job's rows.

    Args:
        rows: all rows of the job, in the ledger's order.
        names: the procedure's names.
        gallery: where clips and pictures come from.
    """
    read = [item_of(row, names) for row in rows]
    decided = _decided(read)
    items = tuple(_as_decided(item, decision_of(decided.get(item.row.id))) for item in read)
    replaced_by: dict[str, Item] = {}
    for item in items:
        if item.replaces is not None:
            replaced_by.setdefault(item.replaces, item)
    rejected = {id_ for id_, item in decided.items() if decision_of(item) == "rejected"}
    standing = tuple(
        item
        for item in items
        if item.kind in VALUE_KINDS
        and item.status != "not_accepted"
        and item.row.id not in replaced_by.keys() | rejected
    )
    gone = replaced_by.keys() | rejected | _overtaken(items)
    return Story(
        items=items,
        sections=tuple(_sections([item for item in items if item.kind not in _FRONT], names, gallery)),
        standing=standing,
        replaced_by=replaced_by,
        raised=_raised(item for item in items if item.row.id not in gone),
        settled=_raised(item for item in items if item.row.id in gone),
        opened=next((item for item in items if item.kind == "opened"), None),
        sources=tuple(item for item in items if item.kind == "source"),
        ended=next((item.kind == "job_end" for item in reversed(items) if item.kind in _LAST_WORD), False),
        decided=decided,
    )


def decision_of(item: Item | None) -> str | None:
    """What a reviewer's row decided; None when there is none."""
    return None if item is None else w.plain(item.data.get("decision"))


def _as_decided(item: Item, decision: str | None) -> Item:
    """The entry as it stands after review: an acceptance settles what was not confirmed, a query opens it again."""
    if decision is None:
        return item
    badges = tuple(badge for badge in item.badges if badge != UNCONFIRMED or decision != "accepted")
    status = {"accepted": "accepted", "queried": "unconfirmed"}.get(decision, item.status)
    if item.status == "not_accepted":
        status = item.status
    return replace(item, status=status, badges=(*badges, *((DECIDED[decision],) if decision in DECIDED else ())))


def _decided(items: Iterable[Item]) -> dict[str, Item]:
    """By entry id the last decision on it; a comment decides nothing, and what was taken back is none."""
    found: dict[str, Item] = {}
    for item in items:
        if item.kind != "reviewed" or decision_of(item) == "commented":
            continue
        about = w.plain(item.data.get("about"))
        if decision_of(item) == "taken_back":
            found.pop(about, None)
        else:
            found[about] = item
    return found


def _overtaken(items: Sequence[Item]) -> set[str]:
    """The ends of a stage or of the job that a later end of the same stage, or of the job, has overtaken."""
    last = {(item.kind, item.subject): item.row.id for item in items if item.kind in _UNSPOKEN}
    return {item.row.id for item in items if item.kind in _UNSPOKEN and last[item.kind, item.subject] != item.row.id}


def _raised(items: Iterable[Item]) -> tuple[Raised, ...]:
    """The entries' warnings, gravest first, then in the order of the record."""
    by_warning: dict[ShownWarning, list[Item]] = {}
    for item in items:
        for warning in item.warnings:
            by_warning.setdefault(warning, []).append(item)
    raised = [Raised(warning, tuple(dict.fromkeys(found))) for warning, found in by_warning.items()]
    return tuple(sorted(raised, key=lambda r: (_GRAVITY.get(r.warning.severity, 1), r.items[0].row.seq)))


def _sections(items: Iterable[Item], names: Names, gallery: Gallery) -> list[Section]:
    stretches: list[tuple[str, list[Item]]] = []
    for item in items:
        if item.kind == "stage":
            stretches.append((names.stage(item.subject), [item]))
        elif item.kind == "job_end":
            stretches.append(("End of the job", [item]))
        elif stretches:
            stretches[-1][1].append(item)
        else:
            stretches.append((names.stage(None), [item]))
    return [
        Section(name, f"part-{number}", tuple(_block(group, gallery) for group in _groups(found)))
        for number, (name, found) in enumerate(stretches, start=1)
    ]


def _groups(items: Sequence[Item]) -> list[list[Item]]:
    """Entries that came from one utterance or one picture stay together."""
    groups: list[list[Item]] = []
    for item in items:
        if groups and _origin(item) is not None and _origin(item) == _origin(groups[-1][-1]):
            groups[-1].append(item)
        else:
            groups.append([item])
    return groups


def _origin(item: Item) -> tuple[Any, ...] | None:
    heard = item.row.body.get("heard")
    typed = heard.get("text") if isinstance(heard, Mapping) else None
    if item.kind in _UNSPOKEN or not (item.row.media or typed):
        return None
    media = tuple(medium.sha256 for medium in item.row.media)
    return (item.row.at, item.row.mono, item.row.session, media, w.plain(typed))


def _block(items: Sequence[Item], gallery: Gallery) -> Block:
    row = items[0].row
    spoken = row.kind not in _UNSPOKEN
    heard = row.body.get("heard") if spoken else None
    heard = heard if isinstance(heard, Mapping) else {}
    media = [gallery.show(ref) for ref in row.media if ref.kind in {"clip", "photo", "overlay"}] if spoken else []
    measurement = next((m for item in items if isinstance(m := item.data.get("measurement"), Mapping)), {})
    doubts = heard.get("doubts")
    return Block(
        row=row,
        items=tuple(items),
        words=tuple(_words(heard)),
        doubts=tuple(w.plain(doubt) for doubt in doubts) if isinstance(doubts, list) else (),
        engine=w.plain(heard.get("engine")),
        clip=next((shown for shown in media if shown.ref.kind == "clip"), None),
        pictures=tuple(sorted((s for s in media if s.ref.kind != "clip"), key=lambda s: s.ref.kind != "overlay")),
        measurement=measurement,
    )


def _words(heard: Mapping[str, Any]) -> list[Word]:
    listed = heard.get("words")
    found = [x for x in listed if isinstance(x, Mapping)] if isinstance(listed, list) else []
    if not found:
        return [Word(text, None, False) for text in w.plain(heard.get("text")).split()]
    return [_word(x) for x in found]


def _word(word: Mapping[str, Any]) -> Word:
    confidence = word.get("confidence")
    known = float(confidence) if isinstance(confidence, int | float) else None
    return Word(w.plain(word.get("text")), known, known is not None and known < DOUBTFUL)
