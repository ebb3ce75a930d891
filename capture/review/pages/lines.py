"""An entry as the line that would be typed for it, so that a reviewer changes what is wrong and leaves the rest."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Any

from capture.judge.say import answer_words

if TYPE_CHECKING:
    from capture.judge import Entry
    from capture.procedure.model import Procedure


def line_for(procedure: Procedure, entry: Entry) -> str:
    """The line; nothing for an entry that cannot be corrected by words (a picture, a reading taken from one)."""
    data, subject = entry.data, str(entry.subject)
    match entry.kind:
        case "reading" if data.get("via") != "photo":
            return f"{procedure.reading(subject).spoken[0]} {data['value']} {data['unit']}"
        case "identity":
            return f"{procedure.identity(subject).spoken[0]} {data['value']}"
        case "instrument":
            due = f" due {data['due']}" if data.get("due") else ""
            return f"using {procedure.instrument(subject).spoken[0]} {data.get('serial') or ''}{due}"
        case "check":
            return f"{procedure.check(subject).spoken[0]} {answer_words(procedure, subject, str(data['answer']))}"
        case "part":
            return _part(procedure, data, subject)
        case "turn":
            return f"{procedure.counter(subject).spoken[0]} {data['direction']} {_turns(str(data['turns']))}"
        case "note":
            return f"note {data['text']}"
        case "sign_off":
            return f"sign off {next(role.spoken[0] for role in procedure.roles if role.id == subject)}"
        case "refused" | "not_understood":
            return entry.words
        case _:
            return ""


def _part(procedure: Procedure, data: Any, subject: str) -> str:
    lot = f" lot {data['lot']}" if data.get("lot") else ""
    amount = f" {data['quantity']}" if int(data["quantity"]) != 1 else ""
    return f"{data['action']}{amount} {procedure.part(subject).spoken[0]}{lot}"


def _turns(text: str) -> str:
    amount = abs(Fraction(text))
    whole, rest = divmod(amount, 1)
    if not rest:
        return f"{whole} turn{'s' if whole != 1 else ''}"
    return f"{whole} and {rest} turns" if whole else f"{rest} turn"
