"""The recogniser of a procedure: everything that may be said in it, and how it is pronounced."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from capture.bench.live_wake import with_wake
from capture.bench.pronounceable import spoken_as

if TYPE_CHECKING:
    from capture.procedure.model import Procedure
    from capture.speech import Recogniser

EXAMPLES = 6000
"""Sentences that are drawn to show the recogniser what is said, besides those with values of every shape."""


def examples(procedure: Procedure) -> list[str]:
    """Sentences that show the recogniser what is said."""
    from capture.phrases import sentences
    from capture.phrases.shapes import readings_of_every_shape

    return [text for text, _ in sentences(procedure, seed=1, count=EXAMPLES)] + readings_of_every_shape(procedure, 1)


def expected(
    procedure: Procedure, wake: Sequence[Sequence[str]] = ()
) -> tuple[list[str], frozenset[str], dict[str, tuple[str, ...]]]:
    """What a recogniser is told of a procedure: example sentences, words, pronunciations; ``wake`` are phrases by which
    the tool is called first."""
    from capture.phrases import vocabulary

    return with_wake(examples(procedure), wake), vocabulary(procedure), spoken_as(procedure)


def recogniser_of(procedure: Procedure, model: Path | None = None, wake: Sequence[Sequence[str]] = ()) -> Recogniser:
    """A recogniser for the words of ``procedure``, by the embedded model or another; ``wake`` as in ``expected``.

    Raises:
        CaptureError: the model cannot be used, or nobody knows how to pronounce some words.
    """
    from capture.speech import Recogniser

    return Recogniser(model, *expected(procedure, wake))
