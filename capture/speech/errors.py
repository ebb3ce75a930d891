"""What can go wrong with sound: the part of the tree in :mod:`capture.errors` that this room raises.

::

    CaptureError
    ├── UsageError
    │   └── VocabularyError     words, sentences or pronunciations from which no grammar can be made
    │       └── NoPronunciation     words that nobody can pronounce
    ├── RecognitionError
    │   └── AudioError          sound that cannot be read
    └── EnvironmentFault
        └── ModelError          a model directory that cannot be used
"""

from __future__ import annotations

from capture.errors import AudioError, ModelError, RecognitionError, UsageError

__all__ = ["AudioError", "ModelError", "NoPronunciation", "RecognitionError", "VocabularyError"]


class VocabularyError(UsageError):
    """The words, sentences or pronunciations handed over cannot make a grammar."""


class NoPronunciation(VocabularyError):
    """Some words have no known pronunciation.

    Attributes:
        words: the words in question, sorted.
    """

    def __init__(self, words: tuple[str, ...]) -> None:
        """Keep the words and say what to do about them."""
        self.words = words
        names = ", ".join(repr(w) for w in words)
        super().__init__(
            f"No pronunciation is known for {names}; give one in the procedure, under [pronunciations] as phones, "
            f'such as hello = ["HH AH L OW"], or use another word.'
        )
