"""What can be said in a procedure, as Markdown, made from the tables that parse it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from random import Random
from typing import Any

from capture.phrases.forms import Form, Lexicon
from capture.phrases.generate import drawn_from
from capture.phrases.number import FORMS as NUMBER_FORMS
from capture.phrases.readback import read_back
from capture.procedure import language as lang
from capture.procedure.model import Procedure
from capture.units import UNITS

_TITLES = {
    "reading": "Readings",
    "turn": "Turns",
    "check": "Checks",
    "part": "Kit parts",
    "instrument": "Instruments",
    "identity": "The unit on the bench",
    "stage": "Stages",
    "photo": "Photos",
    "sign_off": "Signing",
    "command": "Conversation",
    "note": "Notes",
}


def reference(procedure: Procedure) -> str:
    """Markdown: cautions, every kind of statement with its forms, names and examples, numbers, units, spelling."""
    lexicon = Lexicon(procedure)
    return "\n".join(
        (
            f"# What can be said: {procedure.name}",
            "",
            *(f"> {caution}" for caution in procedure.cautions),
            "",
            "In the forms, `[x]` may be left out, `{x}` stands for one of the names or values below.",
            *_kinds(lexicon),
            *_correction(),
            *_numbers(),
            *_units(procedure),
            *_spelling(),
            "",
        )
    )


def _kinds(lexicon: Lexicon) -> Iterator[str]:
    for kind, title in _TITLES.items():
        forms = [(form, template) for form, template in lexicon.forms if form.kind == kind]
        if not forms:
            continue
        yield from ("", f"## {title}", "")
        yield from (f"- `{form.template}`" for form, _ in forms)
        yield ""
        yield from _names(kind, lexicon.procedure)
        yield from _examples(lexicon, [form for form, _ in forms])


def _names(kind: str, procedure: Procedure) -> Iterator[str]:
    """The table of what may stand for the kind's own slot."""
    rows: list[tuple[Any, str]]
    match kind:
        case "reading":
            rows = [(r, _joined(UNITS[u].spoken[0] for u in r.units)) for r in procedure.readings]
            yield from _table(("said", "reading", "in"), rows)
        case "turn":
            yield from _table(
                ("said", "counter", "ways"),
                [(c, _joined(f for d in c.directions for f in d.spoken)) for c in procedure.counters],
            )
        case "check":
            yield from _table(
                ("said", "check", "answers"),
                [(c, _joined(f for a in c.answers for f in a.spoken)) for c in procedure.checks],
            )
        case "part":
            yield from _table(("said", "part", "in the kit"), [(p, str(p.quantity)) for p in procedure.parts])
        case "instrument":
            yield from _table(
                ("said", "instrument", "unit"), [(i, UNITS[i.unit].symbol) for i in procedure.instruments]
            )
        case "identity":
            rows = [(i, f"`{i.pattern}`" if i.pattern else "anything") for i in procedure.identities]
            yield from _table(("said", "field", "form"), rows)
        case "stage":
            yield from _table(("said", "stage", ""), [(s, "") for s in procedure.stages])
        case "photo":
            yield from _table(("said", "view", ""), [(p, "") for p in procedure.photos])
        case "sign_off":
            yield from _table(("said", "role", ""), [(r, "") for r in procedure.roles])


def _table(head: tuple[str, str, str], rows: list[tuple[Any, str]]) -> Iterator[str]:
    yield f"| {' | '.join(head)} |"
    yield "| --- | --- | --- |"
    for item, last in rows:
        last = last.replace("|", "\\|")
        yield f"| {_joined(item.spoken)} | {item.name} | {last} |"
    yield ""


def _examples(lexicon: Lexicon, forms: list[Form]) -> Iterator[str]:
    rng = Random(7)
    yield from ("| for example | read back |", "| --- | --- |")
    for form in forms * max(1, 4 // len(forms)):
        if drawn := drawn_from(lexicon, form, rng):
            words, statement = drawn
            yield f"| {' '.join(words)} | {read_back(statement, lexicon.procedure)} |"


def _correction() -> Iterator[str]:
    yield from (
        "",
        "## Corrections",
        "",
        "- `correction` and any statement: it takes the place of the last entry of its own subject; the old one stays"
        " on record, marked.",
        "- `correction` and a value alone: for the reading that was named last.",
        "- `correction` alone: the last entry is withdrawn.",
    )


def _numbers() -> Iterator[str]:
    yield from ("", "## Numbers", "", "| said | value |", "| --- | --- |")
    yield from (f"| {said} | {value} |" for said, value in NUMBER_FORMS)
    yield from ("", "A number that is not complete, or may mean two values, is not taken.")


def _units(procedure: Procedure) -> Iterator[str]:
    yield from ("", "## Units", "", "| unit | said | meaning |", "| --- | --- | --- |")
    used = {unit for reading in procedure.readings for unit in reading.units} | {"turn", "deg"}
    for unit in UNITS.values():
        if unit.id in used:
            yield f"| {unit.symbol} | {_joined(unit.forms)} | {unit.definition} |"
    yield from (
        "",
        "Without a unit the reading's first unit is taken, and marked as assumed, where the value is plausible in it"
        " and in no other unit of the reading. A unit of another quantity is refused.",
    )


def _spelling() -> Iterator[str]:
    yield from ("", "## Spelling", "")
    yield "Letters by themselves or by the spelling alphabet: " + _joined(lang.ICAO) + "."
    yield "Digits one by one; " + ", ".join(f"{word} ({mark})" for word, mark in lang.MARKS.items()) + "."
    yield "'oh' is the digit zero; say 'oscar' for the letter. 'double four' is 44."


def _joined(texts: Iterable[str]) -> str:
    return ", ".join(texts)
