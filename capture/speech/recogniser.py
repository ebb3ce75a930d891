"""Sound to utterances: files or a stream through the embedded recogniser, or through any other Vosk model.

Every utterance is heard twice in ways that fail differently: by the phrases of the job, and by the same phrases with a
second network of another shape and training (without one, by a free loop over the words). What differs, what belongs to
no word and what is faint becomes a doubt.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from . import decoder
from .audio import RATE, Audio
from .compare import disagreements
from .decoder import Hearing, Result
from .ending import Ending, Sentences, Waits
from .errors import AudioError, ModelError
from .graph import build
from .guesses import WAYS, Way, united, unknown_doubts, words_of
from .heard import Clip, Doubt, Heard, Word, later
from .language import UNKNOWN, Weights, only_noise
from .level import level_doubts
from .vocabulary import PLAIN_WORDS, Vocabulary

BEFORE_S = AFTER_S = 0.3
CHUNK = 1600  # samples: a tenth of a second
PARTIAL_EVERY = 3200  # samples; the decoder takes the longer over it the longer the utterance
LEAD, TAIL = 3200, 4800
"""Samples of silence that the second hearing begins and ends with."""
OVERLAP = 1600
"""Samples of the silence after an utterance that the next hearing begins with."""
FAINT = 0.5
SHORT_S = 2.0
KEEP_S = 40.0
SECOND = "second"
"""Folder of a model's second network."""


class Recogniser:
    """Hears utterances.

    Args:
        model_dir: a model directory; None for the embedded one. A directory without a ``graph`` folder is taken to have
            the embedded model's phones; others bring their own words, and a grammar is given to those that take one.
        sentences: examples of what may be said, thousands if possible.
        words: further words that may be said.
        pronunciations: own ways to say words, as phones.
        two_hearings: hear everything a second time, by the model's second network or by a free loop over the words.
        weights: settings of the language model.
        waits: how much silence ends an utterance; another model's own settings say so for it.

    Raises:
        ModelError: the model cannot be used.
        VocabularyError, NoPronunciation: the words cannot be used.
    """

    def __init__(
        self,
        model_dir: str | Path | None = None,
        sentences: Iterable[str] = (),
        words: Iterable[str] = (),
        pronunciations: Mapping[str, str | Iterable[str]] | None = None,
        *,
        two_hearings: bool = True,
        weights: Weights | None = None,
        waits: Waits | None = None,
    ) -> None:
        """Load the model and build the graphs."""
        sentences, words = list(sentences), list(words)
        if not sentences and not words:
            words = list(PLAIN_WORDS)
        folder = Path(model_dir) if model_dir is not None else decoder.EMBEDDED
        self._grammar: list[str] | None = None
        self._ways = 0
        self._second: Any = None
        self._noise: Any = None
        self._vocabulary: Vocabulary | None = None
        self._sentences: Sentences | None = None
        self._waits = waits
        self.unheard: frozenset[str] = frozenset()
        """Words of the job that another model does not know, and so can never hear."""
        if (folder / "graph").is_dir() or (folder / "HCLG.fst").is_file():
            self._load_other(folder, sentences, words)
        else:
            self._load_own(folder, Vocabulary.of(sentences, words, pronunciations), two_hearings, weights)
        self._start(0)

    def _load_own(self, folder: Path, words: Vocabulary, two: bool, weights: Weights | None) -> None:
        self._vocabulary = words
        phrases = words.phrase_network(weights)
        self._sentences = Sentences(phrases)
        graph = build(phrases, words.pronunciations)
        pairs = [(graph, folder)]
        if two and (folder / SECOND).is_dir():
            pairs += [(graph, folder / SECOND), (build(only_noise(), {}), folder / SECOND)]
            self._ways = WAYS
        elif two:
            pairs.append((build(words.loop_network(), words.pronunciations), folder))
        self._first, self._second, self._noise = (*decoder.load_graphs(pairs), None, None)[:3]
        own = "embedded model" if folder == decoder.EMBEDDED else f"model {folder.name}"
        self.name = f"{own}, vosk {_vosk_version()}"

    def _load_other(self, folder: Path, sentences: list[str], words: list[str]) -> None:
        static = decoder.check_other(folder)
        self._first = decoder.load(folder)
        said = {w for s in sentences for w in s.split()} | set(words)
        known = {w for w in said if decoder.knows(self._first, w)}
        if not known:
            raise ModelError(
                f"The model {folder} knows none of the job's {len(said)} words ({', '.join(sorted(said)[:3])}, ...): "
                "it is of another language or use; name another model."
            )
        if not static:
            self._grammar = sorted({*(s for s in sentences if known.issuperset(s.split())), *known})
        self.unheard = frozenset(said - known)
        lacks = f", {len(self.unheard)} words unknown to it" if self.unheard else ""
        self.name = f"model {folder.name}{' without grammar' if static else ''}{lacks}, vosk {_vosk_version()}"

    def _start(self, at: int) -> None:
        self._kept = bytearray()
        self._kept_from = at
        self._taken = at
        self._ending = None if self._sentences is None else Ending(self._sentences, self._waits)
        self._listen_from(at)

    def _listen_from(self, at: int) -> None:
        """Begin a new hearing at a sample of the stream, from the sound that is kept."""
        self._hearing = Hearing(self._first, self._grammar, self._ways)
        self._origin = max(at, self._kept_from)
        self._partial, self._partial_at = "", self._taken
        heard_already = bytes(self._kept[2 * (self._origin - self._kept_from) :])
        if heard_already:
            self._hearing.accept(heard_already)

    def hear(self, audio: Audio | bytes) -> list[Heard]:
        """All utterances of a recording; a stream under way is left alone.

        Args:
            audio: what :func:`capture.speech.read_audio` returns, or int16 samples at 16 kHz.
        """
        pcm = audio if isinstance(audio, bytes) else audio.pcm()
        before = vars(self).copy()
        self._start(0)
        found = []
        for at in range(0, len(pcm), 2 * CHUNK):
            found += self.accept(pcm[at : at + 2 * CHUNK])
        found += self.finish()
        vars(self).update(before)
        return found

    def accept(self, pcm: bytes) -> list[Heard]:
        """Take more of a stream (int16 at 16 kHz, any amount); returns the utterances that have ended.

        Raises:
            AudioError: half a sample was handed over.
        """
        if len(pcm) % 2:
            raise AudioError("The sound stream came in half samples; send whole 16-bit samples.")
        found = []
        for at in range(0, len(pcm), 2 * CHUNK):
            piece = pcm[at : at + 2 * CHUNK]
            self._kept += piece
            self._taken += len(piece) // 2
            found += self._after(bytes(piece))
        return found

    def _after(self, piece: bytes) -> list[Heard]:
        """What has ended with one more piece of sound: as the decoder says, or earlier as the sentence says."""
        ended = self._hearing.accept(piece)
        quiet_s = 0.0 if self._ending is None else self._ending.quiet_s(piece)
        if ended:
            return self._ended(self._hearing.result())
        if self._ending is None or not self._ending.worth_a_look(quiet_s):
            return []
        if not self._ending.over(quiet_s, self._so_far()):
            return []
        found = self._ended(self._hearing.finish())
        self._listen_from(self._taken - OVERLAP)
        return found

    def _ended(self, result: Result) -> list[Heard]:
        self._partial, self._partial_at = "", self._taken
        if self._ending is not None:
            self._ending.began_anew()
        return self._told(result)

    def _so_far(self) -> str:
        if self._partial_at < self._taken:
            self._partial, self._partial_at = self._hearing.partial(), self._taken
        return self._partial

    def finish(self) -> list[Heard]:
        """The stream is over: whatever was still open. A new stream may begin, its times going on."""
        silence = bytes(2 * int(0.3 * RATE))
        ended = self._told(self._hearing.result()) if self._hearing.accept(silence) else []
        ended += self._told(self._hearing.finish())
        self._start(self._taken)
        return ended

    @property
    def partial(self) -> str:
        """The words of the utterance under way, so far; looked at anew every fifth of a second."""
        if self._taken - self._partial_at >= PARTIAL_EVERY:
            self._so_far()
        return " ".join(w for w in self._partial.split() if w != UNKNOWN)

    def _told(self, result: Result) -> list[Heard]:
        if not result.words:
            self._forget(self._taken - int(2 * RATE))
            return []
        shift = self._origin / RATE
        words = later(result.words, shift)
        ways = tuple((later(way, shift), score) for way, score in result.ways)
        clip = self._clip(words[0].start_s - BEFORE_S, words[-1].end_s + AFTER_S)
        self._forget(int((words[-1].end_s - BEFORE_S) * RATE))
        return [self._utterance(words, ways, clip)]

    def _clip(self, start_s: float, end_s: float) -> Clip:
        first = max(self._kept_from, round(start_s * RATE))
        last = max(first, min(self._kept_from + len(self._kept) // 2, round(end_s * RATE)))
        a, b = 2 * (first - self._kept_from), 2 * (last - self._kept_from)
        return Clip(bytes(self._kept[a:b]), RATE, first / RATE)

    def _forget(self, sample: int) -> None:
        """Let go of the sound before a sample of the stream."""
        first = max(self._kept_from, min(sample, self._taken), self._taken - int(KEEP_S * RATE))
        del self._kept[: 2 * (first - self._kept_from)]
        self._kept_from = first

    def _utterance(self, heard: Sequence[Word], ways: Sequence[Way], clip: Clip) -> Heard:
        other = self._heard_again(clip)
        guesses = united(ways, other.ways, self._over_noise(clip, other)) if ways else ()
        words = guesses[0].words if guesses else words_of(heard)
        doubts = (guesses[0].doubts if guesses else unknown_doubts(heard)) + faint_doubts(words)
        if self._second is not None and self._vocabulary is not None:
            said = [w.text for w in words_of(other.words)]
            doubts += disagreements([w.text for w in words], said, self._vocabulary.sounds)
        doubts += level_doubts(clip, len(words))
        text = " ".join(w.text for w in words)
        start_s, end_s = (words[0].start_s, words[-1].end_s) if words else (heard[0].start_s, heard[-1].end_s)
        return Heard(words, text, start_s, end_s, clip, doubts, self.name, other.text, guesses)

    def _heard_again(self, clip: Clip) -> Result:
        """The second hearing of a clip; its times count in the stream."""
        if self._second is None:
            return Result(())
        found = _heard_whole(self._second, clip, self._ways)
        shift = clip.start_s - LEAD / RATE
        return Result(later(found.words, shift), tuple((later(way, shift), score) for way, score in found.ways))

    def _over_noise(self, clip: Clip, other: Result) -> float | None:
        """By how much the second hearing's words fit the sound better than no words; None for long utterances, whose
        words add up to far more than noise ever fits."""
        if self._noise is None or not other.ways or sum(w.end_s - w.start_s for w in other.words) > SHORT_S:
            return None
        noise = _heard_whole(self._noise, clip, 1).ways
        return other.ways[0][1] - noise[0][1] if noise else None


def _heard_whole(model: Any, clip: Clip, ways: int) -> Result:
    """What a network makes of a clip with silence around it."""
    hearing = Hearing(model, ways=ways)
    hearing.accept(bytes(2 * LEAD) + clip.pcm + bytes(2 * TAIL))
    return hearing.finish()


def faint_doubts(words: tuple[Word, ...]) -> tuple[Doubt, ...]:
    """Doubts about words of low confidence."""
    return tuple(
        Doubt("faint", i, i, f"'{w.text}' was not clear (confidence {w.confidence:.2f}); say it again or confirm.")
        for i, w in enumerate(words)
        if w.confidence < FAINT
    )


def _vosk_version() -> str:
    try:
        return version("vosk")
    except PackageNotFoundError:
        return "of unknown version"
