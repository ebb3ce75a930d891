"""Can everything that a procedure wants to hear be pronounced? Asked when it is loaded, not when it is needed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.bench.live_wake import wake_words

if TYPE_CHECKING:
    from capture.procedure.model import Procedure


def check_pronounceable(procedure: Procedure) -> None:
    """See that each word of a procedure, its wake phrases among them, has a pronunciation.

    Raises:
        NoPronunciation: some have none; all of them are named.
    """
    from capture.phrases import vocabulary
    from capture.speech.lexicon import Lexicon

    called = {word for words in wake_words(procedure) for word in words}
    Lexicon(spoken_as(procedure)).require({*vocabulary(procedure), *called})


def spoken_as(procedure: Procedure) -> dict[str, tuple[str, ...]]:
    """The pronunciations that a procedure gives for its words, its wake phrases among them."""
    from capture.phrases import pronunciations

    called = {word for words in wake_words(procedure) for word in words}
    own = {word: ways for word, ways in procedure.pronunciations.items() if word in called}
    return {**pronunciations(procedure), **own}
