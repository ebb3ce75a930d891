"""The procedure's names for what entries are about; readable ids where there is no procedure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from capture.errors import CaptureError
from capture.procedure.model import HOLDERS
from capture.review.wording import spaced, titled

if TYPE_CHECKING:
    from capture.procedure.model import Procedure
    from capture.record import Record, Row

_HOLDERS = {**HOLDERS, "stage_end": HOLDERS["stage"]}


@dataclass(frozen=True)
class Names:
    """Looks names up; ``procedure`` is None when the record holds none that can be read."""

    procedure: Procedure | None

    def of(self, kind: str, id_: Any) -> str:
        """The name of the thing that an entry of ``kind`` is about."""
        if id_ is None:
            return titled(kind)
        items: Iterable[Any] = getattr(self.procedure, _HOLDERS[kind], ()) if kind in _HOLDERS else ()
        return next((str(item.name) for item in items if item.id == id_), titled(id_))

    def stage(self, id_: Any) -> str:
        """A stage's name; "Before the first stage" for none."""
        return "Before the first stage" if id_ is None else self.of("stage", id_)

    def answer(self, check: Any, answer: Any) -> str:
        """An answer to a check, as it is said."""
        for known in self.procedure.checks if self.procedure else ():
            if known.id == check:
                return next((a.spoken[0] for a in known.answers if a.id == answer and a.spoken), spaced(answer))
        return spaced(answer)

    def position(self, kind: str, id_: Any) -> int:
        """Where the thing stands in the procedure; after everything when it is not in it."""
        items = list(getattr(self.procedure, _HOLDERS.get(kind, ""), ()))
        return next((at for at, item in enumerate(items) if item.id == id_), len(items))


def names_for(record: Record, rows: Iterable[Row]) -> Names:
    """Names from the procedure that the job's opening row points to.

    A procedure that is missing, damaged or not readable by this version gives readable ids instead: a report must
    come out all the same.
    """
    from capture.procedure import parse_procedure

    for row in rows:
        for medium in row.media if row.kind == "opened" else ():
            if medium.kind == "procedure":
                try:
                    text = record.read_media(medium.sha256).decode()
                    return Names(parse_procedure(text, "the record's procedure"))
                except (CaptureError, UnicodeDecodeError):
                    return Names(None)
    return Names(None)
