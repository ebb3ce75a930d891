"""The service kit's balance: what the kit holds, what went in, what came out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from capture.judge.entry import Warned
from capture.judge.view import JobView
from capture.judge.warned import warned
from capture.procedure.model import Part, Procedure


@dataclass(frozen=True)
class Balance:
    """One part of the kit: how many it holds, how many are on record as fitted and as removed."""

    part: Part
    fitted: int
    removed: int
    unconfirmed: int

    def plain(self) -> dict[str, Any]:
        """As an entry's data holds it."""
        return {
            "part": self.part.id,
            "name": self.part.name,
            "kit": self.part.quantity,
            "fitted": self.fitted,
            "removed": self.removed,
        }


def count(
    view: JobView,
    part: str,
    action: Literal["fitted", "removed"],
    *,
    confirmed: bool = True,
    before: int | None = None,
) -> int:
    """How many of a part are on record as fitted or removed; without ``confirmed`` also those not confirmed yet."""
    return sum(
        int(held.data["quantity"])
        for held in view.each("part", part, before=before)
        if held.data["action"] == action and (held.accepted or not confirmed)
    )


def balance(procedure: Procedure, view: JobView) -> tuple[Balance, ...]:
    """The whole kit, part by part, in the procedure's order."""
    table = []
    for part in procedure.parts:
        fitted, removed = count(view, part.id, "fitted"), count(view, part.id, "removed")
        said = sum(count(view, part.id, action, confirmed=False) for action in ("fitted", "removed"))
        table.append(Balance(part, fitted, removed, said - fitted - removed))
    return tuple(table)


def balance_warnings(procedure: Procedure, view: JobView) -> tuple[Warned, ...]:
    """What does not add up at the end of the job: left over, missing, too many."""
    return tuple(warning for line in balance(procedure, view) for warning in _line_warnings(line))


def too_many(part: Part, fitted: int) -> Warned:
    """The warning that more of a part are on record as fitted than the kit holds."""
    return warned(
        "part_too_many",
        f"{part.name}: {fitted} are on record as fitted, but the kit holds {part.quantity}.",
        "Count again; correct the number that was said, or say in a note where the other ones came from.",
    )


def lot_missing(part: Part) -> Warned:
    """The warning that a part was fitted without its lot."""
    return warned(
        "lot_missing",
        f"{part.name} was fitted without saying its lot.",
        "Read the lot from the bag and say: correction, the part, fitted, lot and the number.",
    )


def _line_warnings(line: Balance) -> Iterator[Warned]:
    part, fitted, removed = line.part, line.fitted, line.removed
    open_ = f" ({line.unconfirmed} more not confirmed)" if line.unconfirmed else ""
    if fitted < part.quantity:
        empty = f"; {removed} old came out, so {removed - fitted} may be missing inside" if removed > fitted else ""
        yield warned(
            "part_left_over",
            f"{part.name}: {fitted} of {part.quantity} fitted{open_}, {part.quantity - fitted} left over{empty}.",
            "Find where the part belongs; open the unit again if need be, fit it and say so.",
        )
    if fitted > part.quantity:
        yield too_many(part, fitted)
    if part.replaces_old and removed < fitted:
        yield warned(
            "part_missing",
            f"{part.name}: {fitted} fitted but {removed} old removed{open_}, {fitted - removed} old not accounted for.",
            "Look for the old part, also inside the unit, and say that it is removed.",
        )
    if removed > max(fitted, part.quantity):
        yield warned(
            "part_missing",
            f"{part.name}: {removed} old removed but {fitted} new fitted{open_}, {removed - fitted} new missing in the "
            "unit.",
            "Fit the missing new part and say so, or correct the number that was said.",
        )
