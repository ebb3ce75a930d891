"""One part or several: where the number and the form of the part's name do not agree, one of the two was misheard."""

from __future__ import annotations

from collections.abc import Sequence

from capture.procedure.model import Part


def miscounted(words: Sequence[str], part: Part, quantity: int) -> tuple[str, ...]:
    """The reason to ask how many there were, or none.

    Only names of which the procedure lists both forms can tell: "valve seat" beside "valve seats".

    Args:
        words: in which it was said.
        part: that was understood.
        quantity: likewise.
    """
    text = f" {' '.join(words)} "
    said = max((name for name in part.spoken if f" {name} " in text), key=len, default="")
    several = said.endswith("s") and bool({said.removesuffix("s"), said.removesuffix("es")} & set(part.spoken))
    one = bool({f"{said}s", f"{said}es"} & set(part.spoken))
    if not (several and quantity == 1) and not (one and quantity > 1):
        return ()
    return (f"'{said}' does not go with the number {quantity}; confirm, or say it again.",)
