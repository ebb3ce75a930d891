"""One job as a reviewer goes through it: entry by entry, with what was decided on each and what still needs a look."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from capture.record.decisions import REVIEWED, review_of
from capture.review import wording as w
from capture.review.items import Item
from capture.review.pages.clips import LinkedGallery, waveform
from capture.review.story import DOUBTFUL, Block, Story, decision_of

if TYPE_CHECKING:
    from capture.judge import JobView

DECIDABLE = frozenset(
    {"identity", "instrument", "reading", "turn", "check", "part", "photo", "note", "sign_off"}
    | {"refused", "not_understood"}
)
"""Kinds of entries that a reviewer decides on."""

LOST = frozenset({"refused", "not_understood"})
_UNSEEN = frozenset({REVIEWED, "source", "opened"})
_GRAVE = frozenset({"stop", "warning"})


@dataclass(frozen=True)
class Unit:
    """One entry. ``looks`` says why it needs a look, ``open`` whether anything can be decided on it (nothing took its
    place), ``said`` are the reviewers' rows about it, ``picture`` the photo that a reading was taken from, and
    ``review`` who wrote it in review and why."""

    item: Item
    later: Item | None
    before: Item | None
    decision: str | None
    said: tuple[Item, ...]
    looks: tuple[str, ...]
    open: bool
    picture: Item | None
    review: Mapping[str, Any] | None

    @property
    def undecided(self) -> bool:
        """Whether a reviewer still has to say something about it."""
        written = self.review is not None and not self.review.get("restores")
        return self.open and self.decision is None and not written

    @property
    def wanted(self) -> bool:
        """Whether it is undecided and needs a look more than others."""
        return self.undecided and bool(self.looks)

    @property
    def gone(self) -> bool:
        """Whether it does not stand."""
        return self.later is not None or self.decision == "rejected"

    @property
    def measurable(self) -> bool:
        """Whether it is, or was taken from, a picture that can be measured anew."""
        return self.open and (self.picture is not None or self.item.kind == "photo")


@dataclass(frozen=True)
class Part:
    """What came in at one moment and the entries it became; ``asides`` are rows that nothing is decided on, ``earlier``
    is what was said first when this only confirms it."""

    block: Block
    units: tuple[Unit, ...]
    asides: tuple[Item, ...]
    wave: Markup | None
    earlier: Part | None = None


@dataclass(frozen=True)
class Card:
    """An utterance or picture, and below it what reviewers wrote in its place."""

    parts: tuple[Part, ...]

    @property
    def key(self) -> str:
        """What the page calls it."""
        return f"card-{self.parts[0].block.row.seq}"


@dataclass(frozen=True)
class Stretch:
    """A stage's cards."""

    name: str
    anchor: str
    cards: tuple[Card, ...]


@dataclass(frozen=True)
class Counts:
    """How far the review is."""

    entries: int
    undecided: int
    wanted: int
    queried: int
    rejected: int


@dataclass(frozen=True)
class Timeline:
    """The job."""

    stretches: tuple[Stretch, ...]
    counts: Counts

    def card(self, seq: int) -> Card | None:
        """The card on which the row of this number is shown."""
        for stretch in self.stretches:
            for card in stretch.cards:
                if any(unit.item.row.seq == seq for part in card.parts for unit in part.units):
                    return card
        return None


def timeline(story: Story, view: JobView, gallery: LinkedGallery) -> Timeline:
    """Arrange a job for its reviewer.

    Args:
        story: the job as it is told.
        view: the same job as the judge sees it.
        gallery: what ``story`` was told with.
    """
    about: dict[str, list[Item]] = {}
    for item in story.items:
        if item.kind == REVIEWED:
            about.setdefault(w.plain(item.data.get("about")), []).append(item)
    returned = {held.id for held in view.returned}
    make = _Maker(story, about, returned, gallery)
    written: dict[str, list[Part]] = {}
    parts: dict[str, Part] = {}
    stretches: list[tuple[str, str, list[list[Part]]]] = []
    for section in story.sections:
        cards: list[list[Part]] = []
        for block in section.blocks:
            part = make.part(block)
            if part is None:
                continue
            part = replace(part, earlier=_confirmed(part, parts))
            parts |= {item.row.id: part for item in block.items}
            if review_of(block.row) is not None:
                written.setdefault(_origin(story, block.items[0]), []).append(part)
            else:
                cards.append([part])
        stretches.append((section.name, section.anchor, cards))
    done = tuple(
        Stretch(name, anchor, tuple(Card(_with_written(card, written)) for card in cards))
        for name, anchor, cards in stretches
        if cards
    )
    return Timeline(done, _counts(done))


def _confirmed(part: Part, parts: Mapping[str, Part]) -> Part | None:
    """The part whose entry this one confirms by a word, if it has a clip."""
    for unit in part.units:
        before = parts.get(unit.item.replaces or "")
        if unit.item.data.get("confirmed") and before is not None and before.wave is not None:
            return before
    return None


def _with_written(card: list[Part], written: dict[str, list[Part]]) -> tuple[Part, ...]:
    ids = [item.row.id for part in card for item in part.block.items]
    return (*card, *(part for id_ in ids for part in written.get(id_, ())))


def _origin(story: Story, item: Item) -> str:
    """The id of the entry, not written in review, at the beginning of a chain of reviewers' corrections."""
    found = item
    while review_of(found.row) is not None:
        before = story.find(found.replaces)
        if before is None:
            break
        found = before
    return found.row.id


def _counts(stretches: tuple[Stretch, ...]) -> Counts:
    units = [u for stretch in stretches for card in stretch.cards for part in card.parts for u in part.units]
    live = [unit for unit in units if unit.open]
    return Counts(
        entries=len(live),
        undecided=sum(unit.undecided for unit in units),
        wanted=sum(unit.wanted for unit in units),
        queried=sum(unit.decision == "queried" for unit in live),
        rejected=sum(unit.decision == "rejected" for unit in live),
    )


@dataclass(frozen=True)
class _Maker:
    story: Story
    about: Mapping[str, list[Item]]
    returned: set[str]
    gallery: LinkedGallery

    def part(self, block: Block) -> Part | None:
        """A block's entries; None when nothing of it is shown."""
        shown = [item for item in block.items if item.kind not in _UNSEEN]
        if not shown:
            return None
        measured = self._measured(shown)
        units = tuple(
            self._unit(item, block, measured)
            for item in shown
            if item.kind in DECIDABLE and not (item.kind == "photo" and measured)
        )
        asides = tuple(item for item in shown if item.kind not in DECIDABLE)
        wave = None
        if block.clip is not None and block.clip.url is not None:
            wave = waveform(self.gallery.outline(block.clip.ref), _doubtful_spans(block))
        return Part(replace(block, items=tuple(shown)), units, asides, wave)

    def _measured(self, items: list[Item]) -> Item | None:
        """The photo whose reading is among the same block's entries."""
        photo = next((item for item in items if item.kind == "photo"), None)
        reading = any(item.kind == "reading" and item.data.get("via") == "photo" for item in items)
        return photo if reading else None

    def _unit(self, item: Item, block: Block, measured: Item | None) -> Unit:
        story = self.story
        later = story.replaced_by.get(item.row.id)
        decision = decision_of(story.decided.get(item.row.id))
        return Unit(
            item=item,
            later=later,
            before=story.find(item.replaces),
            decision=decision,
            said=tuple(self.about.get(item.row.id, ())),
            looks=() if later is not None else tuple(self._looks(item, block, decision)),
            open=later is None,
            picture=measured if item.kind == "reading" and item.data.get("via") == "photo" else None,
            review=review_of(item.row),
        )

    def _looks(self, item: Item, block: Block, decision: str | None) -> list[str]:
        found = []
        if item.kind in LOST and block.words:
            found.append("said, but not taken")
        if item.row.body.get("status") == "unconfirmed":
            found.append("not confirmed")
        if item.outcome in {"fail", "undecided"}:
            found.append("out of limits" if item.outcome == "fail" else "undecided")
        found += [warning.title.lower() for warning in item.warnings if warning.severity in _GRAVE]
        if block.doubts:
            found.append("heard two ways")
        if item.row.id in self.returned:
            found.append(f"{decision}, not taken anew yet")
        return list(dict.fromkeys(found))


def _doubtful_spans(block: Block) -> list[tuple[float, float]]:
    """Where in the clip words lie that were heard with little confidence, as shares of its length."""
    heard = block.row.body.get("heard")
    words = heard.get("words") if isinstance(heard, Mapping) else None
    length = block.clip.seconds if block.clip else None
    if not isinstance(words, list) or not length or not isinstance(heard, Mapping):
        return []
    # A clip has as much sound before its first word as after its last one.
    spoken = _number(heard.get("end_s")) - _number(heard.get("start_s"))
    begin = _number(heard.get("start_s")) - max(0.0, (length - spoken) / 2)
    spans = []
    for word in words:
        confidence = word.get("confidence") if isinstance(word, Mapping) else None
        if isinstance(confidence, int | float) and confidence < DOUBTFUL:
            ends = [(_number(word.get(name)) - begin) / length for name in ("start_s", "end_s")]
            spans.append((min(1.0, max(0.0, ends[0])), min(1.0, max(0.0, ends[1]))))
    return spans


def _number(value: Any) -> float:
    return float(value) if isinstance(value, int | float) else 0.0
