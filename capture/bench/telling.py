"""One entry as a person reads it on a terminal: what was said, what it became, what is wrong and what to do."""

from __future__ import annotations

from capture.judge.entry import Recorded

_MARKS = {"pass": "within limits", "fail": "OUT OF LIMITS", "undecided": "undecided", "not_judged": "no limit"}


def lines(recorded: Recorded) -> list[str]:
    """Describe one stored entry.

    Returns:
        One line saying when, what was said and what it became, then one indented line for each warning and advice.
    """
    entry = recorded.entry
    head = f"{recorded.moment.at:%H:%M:%S}  {_what(recorded)}"
    if entry.words:
        head += f'   <- "{entry.words}"'
    told = [head]
    told += [f"          {w.severity.upper()} {w.id}: {w.sentence} {w.todo}" for w in entry.warnings]
    if entry.advice is not None:
        told.append(f"          advice: {entry.advice.sentence} ({entry.advice.caution})")
    return told


def _what(recorded: Recorded) -> str:
    entry = recorded.entry
    data = entry.data
    kind = entry.kind.replace("_", " ")
    subject = (entry.subject or "").replace("_", " ")
    text = f"{kind} {subject}".strip()
    if entry.kind == "reading":
        text = f"{subject} {data['value']} {data['unit']}" + (" (photo)" if data.get("via") == "photo" else "")
    elif entry.kind == "turn":
        text = f"{subject} {data['direction']} {data['turns']} turn"
    elif entry.kind in {"identity", "check"}:
        text = f"{subject}: {data.get('value', data.get('answer'))}"
    elif entry.kind == "part":
        text = f"{data['action']} {data['quantity']} x {subject}" + (f", lot {data['lot']}" if data["lot"] else "")
    elif entry.kind == "instrument":
        text = f"using {subject}" + (f" {data['serial']}" if data["serial"] else "")
        text += f", due {data['due']}" if data["due"] else ""
    elif entry.kind in {"stage_end", "job_end"}:
        missing = ", ".join(need["name"] for need in data["missing"])
        text = f"{kind} {subject}: " + (f"missing {missing}" if missing else "complete")
    elif data.get("sentence"):
        text = f"{text}: {data['sentence']}"
    if entry.verdict is not None:
        text += f"  [{_MARKS[entry.verdict.outcome]}]"
    if entry.status != "accepted":
        text += f"  ({entry.status.replace('_', ' ')})"
    if entry.replaces:
        text += "  (replaces an earlier entry)"
    return text
