"""One function for each statement that carries a value: the statement in its case becomes a judged entry."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from fractions import Fraction

from capture.judge import kit
from capture.judge.advice import budget_left
from capture.judge.common import Case, entry_of, heard_warnings, no_stage_warnings
from capture.judge.entry import Entry, Warned
from capture.judge.gauges import gauge_warnings
from capture.judge.needs import order_warnings
from capture.judge.readings import Taken, judge_reading
from capture.judge.say import answer_words, name_of, text
from capture.judge.turning import Left, Tally, budget_at, budget_warnings, locked, tally
from capture.judge.view import Standing
from capture.judge.warned import warned
from capture.phrases.statements import (
    CheckSaid,
    IdentitySaid,
    InstrumentSaid,
    NoteSaid,
    PartSaid,
    PhotoSaid,
    ReadingSaid,
    SignOffSaid,
    TurnSaid,
)

BROKEN_OFF = timedelta(seconds=10)
"""How soon after a reading without a unit a bare number may be the rest of it."""


def reading(case: Case, said: ReadingSaid) -> Entry:
    """A spoken reading."""
    taken = Taken(
        reading=case.procedure.reading(said.field),
        value=said.value,
        unit=said.unit,
        unit_assumed=said.unit_assumed,
        via="voice",
        view=None,
        expanded=None,
        stage=case.stage,
        place=case.place,
        words=said.words,
        alternatives=said.alternatives,
        instead=case.replaces,
    )
    heard = (*heard_warnings(case.candidate), *_rest_of_one(case, said), *no_stage_warnings(case))
    return judge_reading(case.procedure, case.view, taken, case.moment, heard)


def _rest_of_one(case: Case, said: ReadingSaid) -> tuple[Warned, ...]:
    """The warning that a bare number may be the rest of the reading before it, which still lacks its unit."""
    before = case.view.newest_value()
    if before is None or before.entry.kind != "reading" or before.entry.subject != said.field:
        return ()
    bare = not any(name in said.words for name in case.procedure.reading(said.field).spoken)
    soon = case.moment.at - before.moment.at <= BROKEN_OFF
    if not (bare and soon and before.data["unit_assumed"] and not before.accepted):
        return ()
    if (text(said.value), said.unit) == (before.data["value"], before.data["unit"]):
        return ()
    return (
        warned(
            "words_doubtful",
            f"'{said.words}' may be the rest of '{before.entry.words}'.",
            "Say the whole reading again with its name and unit, or confirm it as it stands.",
        ),
    )


def turn(case: Case, said: TurnSaid) -> Entry:
    """A move of a counter, with its budget."""
    counter = case.procedure.counter(said.counter)
    before = tally(case.view, counter.id, case.stage, without=case.replaces)
    after = Tally(before.stage_total + abs(said.turns), before.stage_moves + 1, before.net + said.turns)
    budget = budget_at(counter, case.stage)
    over = () if budget is None else budget_warnings(case.procedure, case.view, counter, budget, case.place, after)
    entry = entry_of(
        case,
        said,
        "turn",
        counter.id,
        {
            "counter": counter.id,
            "turns": str(said.turns),
            "direction": said.direction,
            "stage_total": str(after.stage_total),
            "net": str(after.net),
        },
        (
            *heard_warnings(case.candidate),
            *no_stage_warnings(case),
            *over,
            *order_warnings(case.procedure, case.view, "turn", counter.id, case.place),
        ),
        ask=bool(over),
    )
    if budget is None:
        return entry
    moves = None if budget.moves is None else max(0, budget.moves - after.stage_moves)
    why = locked(case.procedure, case.view, budget, case.place)
    remaining = Left(max(Fraction(0), budget.turns - after.stage_total), moves, why)
    return _with_advice(entry, case, said.counter, remaining)


def _with_advice(entry: Entry, case: Case, counter: str, remaining: Left) -> Entry:
    if remaining.locked is not None:
        return entry
    return replace(entry, advice=budget_left(case.procedure, case.view, case.procedure.counter(counter), remaining))


def check(case: Case, said: CheckSaid) -> Entry:
    """An answered check."""
    known = case.procedure.check(said.check)
    good = said.answer in known.good if known.good else None
    bad: tuple[Warned, ...] = ()
    if good is False:
        wanted = " or ".join(answer_words(case.procedure, known.id, answer) for answer in known.good)
        answer = answer_words(case.procedure, known.id, said.answer)
        bad = (
            warned(
                "check_not_good",
                f"{known.name}: the answer is {answer}; it should be {wanted}.",
                "Put it right and answer again, or keep the unit out of use.",
            ),
        )
    return entry_of(
        case,
        said,
        "check",
        known.id,
        {"check": known.id, "answer": said.answer, "good": good},
        (
            *heard_warnings(case.candidate),
            *no_stage_warnings(case),
            *bad,
            *order_warnings(case.procedure, case.view, "check", known.id, case.place),
        ),
    )


def part(case: Case, said: PartSaid) -> Entry:
    """Parts fitted or removed."""
    known = case.procedure.part(said.part)
    found: list[Warned] = [*heard_warnings(case.candidate), *no_stage_warnings(case)]
    if said.action == "fitted":
        fitted = kit.count(case.view, known.id, "fitted", confirmed=False) + said.quantity
        if case.instead is not None:
            fitted -= int(case.instead.data["quantity"])
        if fitted > known.quantity:
            found.append(kit.too_many(known, fitted))
        if known.lot_required and not said.lot:
            found.append(kit.lot_missing(known))
        found.extend(order_warnings(case.procedure, case.view, "part", known.id, case.place))
    data = {"part": known.id, "action": said.action, "quantity": said.quantity, "lot": said.lot}
    return entry_of(case, said, "part", known.id, data, found)


def instrument(case: Case, said: InstrumentSaid) -> Entry:
    """A gauge taken into use."""
    kind = case.procedure.instrument(said.kind)
    due = None if said.due is None else said.due.isoformat()
    gauge = gauge_warnings(kind, said.serial, said.due, case.moment.at.date())
    found = (
        *heard_warnings(case.candidate),
        *gauge,
        *order_warnings(case.procedure, case.view, "instrument", kind.id, case.place),
    )
    return entry_of(case, said, "instrument", kind.id, {"kind": kind.id, "serial": said.serial, "due": due}, found)


def identity(case: Case, said: IdentitySaid) -> Entry:
    """Something that tells this unit from others. Said differently than before, it must be confirmed."""
    known = case.procedure.identity(said.field)
    before = case.view.last("identity", known.id)
    differs: tuple[Warned, ...] = ()
    if case.instead is None and before is not None and before.data["value"] != said.value:
        differs = (
            warned(
                "identity_differs",
                f"{known.name} is now {said.value}, but was {before.data['value']} before in this job.",
                "Look at the unit: say correction and the right one, or open a new job if it is another unit.",
            ),
        )
    found = (
        *heard_warnings(case.candidate),
        *differs,
        *order_warnings(case.procedure, case.view, "identity", known.id, case.place),
    )
    return entry_of(
        case, said, "identity", known.id, {"field": known.id, "value": said.value}, found, ask=bool(differs)
    )


def photo_asked(case: Case, said: PhotoSaid) -> Entry:
    """The request for a picture."""
    known = case.procedure.photo(said.view)
    found = (*heard_warnings(case.candidate), *no_stage_warnings(case))
    return entry_of(case, said, "photo_asked", known.id, {"view": known.id}, found)


def note(case: Case, said: NoteSaid) -> Entry:
    """Free words: kept as they were heard, whatever was doubtful about them."""
    return entry_of(case, said, "note", None, {"text": said.text})


def sign_off(case: Case, said: SignOffSaid) -> Entry:
    """Somebody signs in a role."""
    role = case.procedure.role(said.role)
    person = (case.candidate.person or "").strip() or None
    found = [*heard_warnings(case.candidate)]
    if person is None:
        found.append(
            warned(
                "signer_unknown",
                f"The {role.name} signed, but nobody's name is known.",
                "Give the name of the person at the bench, then sign again.",
            )
        )
    for held in _differing(case, said.role):
        if person is not None and _same(person, held.data["person"]):
            other = name_of(case.procedure, "sign_off", held.entry.subject)
            found.append(
                warned(
                    "same_person",
                    f"{person} signed as {other} already; the {role.name} must be somebody else.",
                    f"Let another person sign as {role.name}.",
                )
            )
    return entry_of(case, said, "sign_off", role.id, {"role": role.id, "person": person}, found)


def _differing(case: Case, role_id: str) -> list[Standing]:
    role = case.procedure.role(role_id)
    others = {other.id for other in case.procedure.roles if role_id in other.differs_from} | set(role.differs_from)
    found = [case.view.last("sign_off", other) for other in sorted(others - {role_id})]
    return [held for held in found if held is not None and held.id != case.replaces]


def _same(one: str, two: str | None) -> bool:
    return two is not None and " ".join(one.casefold().split()) == " ".join(two.casefold().split())
