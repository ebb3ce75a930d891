"""What can go wrong with sound, as one tree.

SpeechError
├── AudioError        a sound file or stream that cannot be read
├── ModelError        a model directory that cannot be used
└── VocabularyError   words or sentences from which nothing can be built
    └── NoPronunciation   a word that nobody can pronounce
"""


class SpeechError(Exception):
    """Root of every fault of this package; the message says what, where and what to do."""


class AudioError(SpeechError):
    """A sound file or stream cannot be read."""


class ModelError(SpeechError):
    """A model directory is missing, incomplete or damaged."""


class VocabularyError(SpeechError):
    """The words or sentences handed over cannot make a grammar."""


class NoPronunciation(VocabularyError):  # noqa: N818
    """Some words have no known pronunciation.

    Attributes:
        words: the words in question, sorted.
    """

    def __init__(self, words: tuple[str, ...]) -> None:
        """Keep the words and say what to do about them."""
        self.words = words
        names = ", ".join(repr(w) for w in words)
        super().__init__(
            f"No pronunciation known for {names}; give one in the procedure as phones, for example "
            f"'HH AH L OW', or use another word."
        )
