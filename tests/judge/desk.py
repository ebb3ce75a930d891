"""A job played without sound: statements go in, entries pile up as the ledger would hold them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any

from capture.judge import (
    Candidate,
    Entry,
    JobView,
    Moment,
    PhotoResult,
    Recorded,
    entry_from_body,
    entry_to_body,
    finish,
    judge,
)
from capture.phrases import statements as st
from capture.procedure.model import Procedure
from tests.judge.trade import TRADE

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
SPAN: dict[str, Any] = {"words": "so it was said", "span": (0, 4)}


class Desk:
    """One job. Every entry passes through its stored form, so that each test also tests that."""

    def __init__(self, procedure: Procedure = TRADE, stage: str | None = None) -> None:
        self.procedure = procedure
        self.recorded: list[Recorded] = []
        self.seconds = 0.0
        if stage is not None:
            self.say(st.StageSaid(stage=stage, **SPAN))

    @property
    def view(self) -> JobView:
        return JobView.of(self.recorded, self.procedure)

    def moment(self) -> Moment:
        self.seconds += 5
        return Moment(START + timedelta(seconds=self.seconds), self.seconds, "one")

    def judged(self, candidate: Candidate, moment: Moment | None = None) -> tuple[Entry, ...]:
        moment = moment or self.moment()
        return self.keep(judge(self.procedure, self.view, candidate, moment), moment)

    def keep(self, entries: tuple[Entry, ...], moment: Moment) -> tuple[Entry, ...]:
        assert entries
        for entry in entries:
            assert entry_from_body(entry_to_body(entry)) == entry
            self.recorded.append(Recorded(f"id{len(self.recorded)}", entry, moment))
        return entries

    def say(self, said: st.Said, **more: Any) -> Entry:
        return self.judged(Candidate(statement=said, **{"person": "Ada", **more}))[-1]

    def finish(self) -> tuple[Entry, ...]:
        moment = self.moment()
        return self.keep(finish(self.procedure, self.view, moment), moment)

    def read(self, field: str, value: str, unit: str = "", **more: Any) -> Entry:
        return self.say(reading(field, value, unit or self.procedure.reading(field).unit), **more)

    def stage(self, stage: str) -> Entry:
        return self.say(st.StageSaid(stage=stage, **SPAN))

    def turn(self, counter: str, turns: str, **more: Any) -> Entry:
        return self.say(turned(counter, turns), **more)

    def check(self, check: str, answer: str = "yes", **more: Any) -> Entry:
        return self.say(st.CheckSaid(check=check, answer=answer, **SPAN), **more)

    def part(self, part: str, action: Any, quantity: int = 1, lot: str | None = None, **more: Any) -> Entry:
        return self.say(parted(part, action, quantity, lot), **more)

    def gauge(self, kind: str, serial: str | None = "G1", due: str | None = "2027-01-31") -> Entry:
        when = None if due is None else date.fromisoformat(due)
        return self.say(st.InstrumentSaid(kind=kind, serial=serial, due=when, **SPAN))

    def gauges(self) -> Desk:
        for kind in self.procedure.instruments:
            self.gauge(kind.id)
        return self

    def photo(self, value: float | None, expanded: float | None = 0.05, view: str = "side", **more: Any) -> Entry:
        fields = {"outcome": "measured", "value_mm": value, "expanded_mm": expanded, **more}
        return self.judged(Candidate(photo=PhotoResult(view, **fields)))[-1]

    def command(self, word: Any, field: str | None = None, **more: Any) -> Entry:
        return self.say(st.CommandSaid(command=word, field=field, **SPAN), **more)

    def correct(self, said: st.Said | None, **more: Any) -> Entry:
        return self.say(st.CorrectionSaid(statement=said, **SPAN), **more)

    def sign(self, role: str, person: str | None = "Ada") -> Entry:
        return self.say(st.SignOffSaid(role=role, **SPAN), person=person)


def reading(field: str, value: str, unit: str, **more: Any) -> st.ReadingSaid:
    return replace(st.ReadingSaid(field=field, value=Decimal(value), unit=unit, **SPAN), **more)


def turned(counter: str, turns: str) -> st.TurnSaid:
    return st.TurnSaid(counter=counter, turns=Fraction(turns), direction="out" if turns[0] == "-" else "in", **SPAN)


def parted(part: str, action: Any, quantity: int = 1, lot: str | None = None) -> st.PartSaid:
    return st.PartSaid(part=part, action=action, quantity=quantity, lot=lot, **SPAN)


def ids(entry: Entry) -> list[str]:
    """The ids of an entry's warnings."""
    return [warning.id for warning in entry.warnings]


def sentence(entry: Entry, id_: str) -> str:
    """The sentence and what to do of the entry's warnings of one kind."""
    return " ".join(f"{warning.sentence} {warning.todo}" for warning in entry.warnings if warning.id == id_)
