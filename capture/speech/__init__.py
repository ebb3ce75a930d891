"""Sound to words: audio files and streams, the embedded recogniser, its vocabulary and grammar.

>>> from capture.speech import Recogniser, read_audio
>>> recogniser = Recogniser(sentences=["supply pressure one three five p s i"])
>>> [heard.text for heard in recogniser.hear(read_audio("reading.wav"))]  # doctest: +SKIP
['supply pressure one three five p s i']
"""

from .audio import Audio, read_audio
from .errors import AudioError, ModelError, NoPronunciation, RecognitionError, VocabularyError
from .heard import Clip, Doubt, Guess, Heard, Word
from .language import UNKNOWN, Weights
from .recogniser import Recogniser
from .vocabulary import Vocabulary

__all__ = [
    "UNKNOWN",
    "Audio",
    "AudioError",
    "Clip",
    "Doubt",
    "Guess",
    "Heard",
    "ModelError",
    "NoPronunciation",
    "Recogniser",
    "RecognitionError",
    "Vocabulary",
    "VocabularyError",
    "Weights",
    "Word",
    "read_audio",
]
