"""Words of conversation: correction, disregard, confirm, read back, what is missing, say again. Pure.

Silence is not confirmation, and neither is a confirm that was not heard clearly or that could mean two things.
"""

from __future__ import annotations

from dataclasses import replace

from capture.judge.common import Case, entry_of, heard_warnings, refused
from capture.judge.entry import Entry, Recorded, Warned
from capture.judge.needs import missing_in
from capture.judge.readings import HEARD, judge_reading, taken_again
from capture.judge.say import name_of, read_back
from capture.judge.view import JOB_WIDE, VALUE_KINDS, JobView, Standing, way
from capture.judge.warned import warned
from capture.phrases.statements import (
    CheckSaid,
    CommandSaid,
    IdentitySaid,
    InstrumentSaid,
    NoteSaid,
    PartSaid,
    PhotoSaid,
    ReadingSaid,
    Said,
    SignOffSaid,
    StageSaid,
    TurnSaid,
)

_LOST = ("refused", "not_understood")


def command(case: Case, said: CommandSaid) -> tuple[Entry, ...]:
    """The entries that a word of conversation becomes."""
    if said.field is not None and all(reading.id != said.field for reading in case.procedure.readings):
        return (refused(case, said, "not_in_procedure", f"The procedure has no reading '{said.field}'."),)
    if said.command in {"confirm", "disregard"} and case.candidate.doubts:
        return unclear(case, said, said.command)
    match said.command:
        case "confirm":
            return (_confirm(case, said),)
        case "disregard":
            return _disregard(case, said)
        case "read_back":
            return (_read_back(case, said),)
        case "what_is_missing":
            return (_reply(case, said, _missing(case)),)
        case "say_again":
            return (_say_again(case, said),)


def withdraw_last(case: Case, said: Said, field: str | None = None) -> tuple[Entry, ...]:
    """Withdraw the entry recorded last (or the last reading of ``field``) until it is said again."""
    lost = _lost_words(case)
    target = case.view.newest_value() if field is None else _last_spoken(case.view, field)
    if target is None:
        return (_reply(case, said, "There is nothing to withdraw."),)
    if lost and field is None:
        sentence = (
            "The last words were not taken, so nothing was withdrawn. "
            f"To withdraw {read_back(case.procedure, target.entry)}, say disregard."
        )
        return (_reply(case, said, sentence, about=target.id),)
    return tuple(_withdrawn(case, said, held) for held in _with_picture(case.view, target))


def corrected(view: JobView, said: Said) -> Standing | None:
    """The standing entry that a corrected statement takes the place of: the last one about the same thing, of this
    stage if there is one."""
    kind, subject, action = _thing(said)
    if kind is None:
        return None
    held = [item for item in view.each(kind, subject) if action is None or way(item.entry) == action]
    here = [item for item in held if item.entry.stage == view.stage]
    chosen = held if kind in JOB_WIDE or not here else here
    return chosen[-1] if chosen else None


def after_sign_off(case: Case, target: Standing) -> tuple[Warned, ...]:
    """The warning that ``target`` is changed although somebody has signed since."""
    signed = [held.entry for held in case.view.each("sign_off") if held.place > target.place]
    signed += [
        item.entry
        for place, item in enumerate(case.view.recorded)
        if item.entry.kind == "signature" and place > target.place
    ]
    if not signed or target.entry.kind == "sign_off":
        return ()
    roles = ", ".join(dict.fromkeys(name_of(case.procedure, "sign_off", entry.subject) for entry in signed))
    name = name_of(case.procedure, target.entry.kind, target.entry.subject)
    return (
        warned(
            "corrected_after_sign_off",
            f"{name} was changed after sign-off ({roles}).",
            "Say why in a note and let those who signed look at it and sign again.",
        ),
    )


def _thing(said: Said) -> tuple[str | None, str | None, str | None]:
    """Kind, subject (None: any) and way of the entries that a statement is about."""
    match said:
        case ReadingSaid():
            return "reading", said.field, "voice"
        case TurnSaid():
            return "turn", said.counter, None
        case CheckSaid():
            return "check", said.check, None
        case PartSaid():
            return "part", said.part, said.action
        case InstrumentSaid():
            return "instrument", said.kind, None
        case IdentitySaid():
            return "identity", said.field, None
        case SignOffSaid():
            return "sign_off", said.role, None
        case StageSaid():
            return "stage", None, None
        case PhotoSaid():
            return "photo_asked", None, None
        case NoteSaid():
            return "note", None, None
        case _:
            return None, None, None


def _confirm(case: Case, said: CommandSaid) -> Entry:
    view = case.view
    waiting = view.waiting(said.field)
    if not waiting:
        what = "" if said.field is None else f" of {name_of(case.procedure, 'reading', said.field)}"
        return _reply(case, said, f"Nothing{what} is waiting to be confirmed.")
    if said.field is not None:
        return _confirmed(case, said, waiting[-1])
    newest = view.newest_value()
    offered = _offered(view, waiting)
    if offered is not None:
        return _confirmed(case, said, offered)
    if newest in waiting:
        return _confirmed(case, said, waiting[waiting.index(newest)] if newest else waiting[-1])
    just_confirmed = view.newest is not None and bool(view.newest.entry.data.get("confirmed"))
    if len(waiting) == 1 and not just_confirmed:
        return _confirmed(case, said, waiting[0])
    sentence = f"Still waiting: {read_back(case.procedure, waiting[-1].entry)}. Say confirm once more to confirm it."
    return _reply(case, said, sentence, about=waiting[-1].id)


def _offered(view: JobView, waiting: list[Standing]) -> Standing | None:
    """The waiting entry that the last reply asked to confirm."""
    newest = view.newest
    if newest is None or newest.entry.kind != "command" or newest.entry.data.get("command") != "confirm":
        return None
    return next((held for held in waiting if held.id == newest.entry.data.get("about")), None)


def _confirmed(case: Case, said: Said, held: Standing) -> Entry:
    if held.entry.kind == "reading":
        entry = judge_reading(case.procedure, case.view, taken_again(case.procedure, held), held.moment, sure=True)
    else:
        rest = tuple(warning for warning in held.entry.warnings if warning.id not in HEARD)
        entry = replace(held.entry, status="accepted", warnings=rest, replaces=held.id)
    return replace(entry, words=said.words, data={**entry.data, "confirmed": True})


def _disregard(case: Case, said: CommandSaid) -> tuple[Entry, ...]:
    return withdraw_last(case, said, said.field)


def _lost_words(case: Case) -> bool:
    newest = case.view.newest
    return newest is not None and newest.entry.kind in _LOST


def _with_picture(view: JobView, target: Standing) -> tuple[Standing, ...]:
    """A photographed value is withdrawn together with its picture."""
    if target.entry.kind != "reading" or target.data["via"] != "photo":
        return (target,)
    picture = view.last("photo", target.data["view"], before=target.place)
    return (target,) if picture is None else (target, picture)


def _withdrawn(case: Case, said: Said, held: Standing) -> Entry:
    return Entry(
        kind="withdrawn",
        stage=held.entry.stage,
        subject=held.entry.subject,
        status="accepted",
        words=said.words,
        data={"kind": held.entry.kind, "subject": held.entry.subject, "id": held.id},
        warnings=after_sign_off(case, held),
        replaces=held.id,
    )


def _last_spoken(view: JobView, field: str) -> Standing | None:
    held = [item for item in view.each("reading", field) if item.data["via"] == "voice"]
    here = [item for item in held if item.entry.stage == view.stage]
    return (here or held)[-1] if held else None


def _read_back(case: Case, said: CommandSaid) -> Entry:
    view = case.view
    held = view.newest_value() if said.field is None else view.last("reading", said.field)
    if held is None:
        name = "" if said.field is None else f" of {name_of(case.procedure, 'reading', said.field)}"
        return _reply(case, said, f"Nothing{name} is on record yet.")
    return _reply(case, said, f"{read_back(case.procedure, held.entry)}.", about=held.id)


def _say_again(case: Case, said: CommandSaid) -> Entry:
    if said.field is not None or case.view.newest is None:
        return _read_back(case, said)
    newest = case.view.newest
    return _reply(case, said, _last_reply(case, newest), about=newest.id)


def _last_reply(case: Case, newest: Recorded) -> str:
    entry = newest.entry
    if entry.kind == "command":
        return str(entry.data.get("reply", ""))
    if entry.kind in _LOST:
        return str(entry.data["sentence"])
    words = [f"{read_back(case.procedure, entry)}." if entry.kind in VALUE_KINDS else f"{entry.kind.capitalize()}."]
    words += [f"{warning.sentence} {warning.todo}" for warning in entry.warnings]
    return " ".join(words)


def _missing(case: Case) -> str:
    stage_id = case.view.stage
    sentences = []
    if stage_id is None:
        sentences.append("No stage has begun. Say the stage that you are in.")
    else:
        stage = case.procedure.stage(stage_id)
        missing = missing_in(case.procedure, case.view, stage)
        found = "; ".join(f"{item.name} {item.why}" for item in missing)
        sentences.append(f"{stage.name}: {found}." if missing else f"Nothing is missing in {stage.name}.")
    waiting = [read_back(case.procedure, held.entry) for held in case.view.waiting()]
    if waiting:
        sentences.append(f"Waiting to be confirmed: {'; '.join(waiting)}.")
    return " ".join(sentences)


def unclear(case: Case, said: Said, word: str) -> tuple[Entry, ...]:
    """The answer to a word of conversation that is too doubtful to act upon."""
    return (_reply(case, said, f"{word.capitalize()} was not heard clearly. Say {word} again.", doubtful=True),)


def _reply(case: Case, said: Said, reply: str, *, about: str | None = None, doubtful: bool = False) -> Entry:
    word, field = (said.command, said.field) if isinstance(said, CommandSaid) else ("correction", None)
    entry = entry_of(case, said, "command", None, {"command": word, "field": field, "reply": reply, "about": about})
    return replace(entry, warnings=heard_warnings(case.candidate)) if doubtful else entry
