"""The network that ``moonshine-voice==0.1.0`` carries, searched only along sentences that a grammar allows.

The package's own search knows no grammar and writes numbers as figures; so its two networks are run here with
onnxruntime, and a beam search admits only tokens that go on spelling words of the grammar.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from capture.speech.language import UNKNOWN, WordNetwork
from tests.bench.hearing_sounds import Samples

BEAM = 4
LEAST = -3.2
"""Log-probability per token below which nothing is taken (as in the experiment that this is to be compared with)."""
SPACE = "\u2581"
BEGIN, END = 1, 2
_LAYERS, _HEADS, _SIZE = 6, 8, 36

States = frozenset[int]


@dataclass(frozen=True)
class _Hypothesis:
    """Tokens so far: words, the states of the grammar after them, letters of the word under way, log-probability."""

    words: tuple[str, ...]
    states: States
    letters: str
    score: float
    tokens: int


class Moonshine:
    """One grammar."""

    def __init__(self, grammar: WordNetwork) -> None:
        """Load it; ImportError where moonshine-voice or onnxruntime is missing."""
        import onnxruntime

        found = find_spec("moonshine_voice")
        if found is None or not found.submodule_search_locations:
            raise ImportError("No module named 'moonshine_voice'")
        folder = Path(found.submodule_search_locations[0]) / "assets" / "tiny-en"
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads, options.log_severity_level = 1, 3
        self._encoder, self._decoder = (
            onnxruntime.InferenceSession(str(folder / name), options, providers=["CPUExecutionProvider"])
            for name in ("encoder_model.ort", "decoder_model_merged.ort")
        )
        self._names = [one.name for one in self._decoder.get_outputs()]
        self._token = {text: i for i, text in enumerate(tokens(folder / "tokenizer.bin"))}
        self._grammar = grammar
        self._ways: dict[tuple[States, str], dict[int, tuple[str, str]]] = {}

    def __call__(self, x: Samples) -> list[str] | None:
        """The words of one utterance, or None when none of the grammar's sentences fits."""
        best = self._search(x)
        return None if best is None or best.score / max(1, best.tokens) < LEAST else list(best.words)

    def _search(self, x: Samples) -> _Hypothesis | None:
        mask = np.ones((1, len(x)), np.int64)
        (sound,) = self._encoder.run(None, {"input_values": x[None].astype(np.float32), "attention_mask": mask})
        beam = [_Hypothesis((), frozenset({self._grammar.start}), "", 0.0, 0)]
        last = np.array([[BEGIN]], np.int64)
        past: dict[str, Any] | None = None
        done: list[_Hypothesis] = []
        for _ in range(90):
            logits, past = self._step(sound, last, past)
            logs = logits - np.logaddexp.reduce(logits, axis=1, keepdims=True)
            grown: list[tuple[_Hypothesis, int, int]] = []
            for row, one in enumerate(beam):
                if not one.letters and one.tokens and any(s in self._grammar.final for s in one.states):
                    done.append(self._with(one, "", one.letters, float(logs[row, END])))
                for token, (letters, word) in self._allowed(one.states, one.letters).items():
                    grown.append((self._with(one, word, letters, float(logs[row, token])), row, token))
            grown.sort(key=lambda item: -item[0].score)
            grown = grown[:BEAM]
            best = max((one.score / one.tokens for one in done), default=-np.inf)
            if not grown or (done and max(g.score / g.tokens for g, _, _ in grown) < best):
                break
            rows = np.array([row for _, row, _ in grown])
            past = {name: value[rows] for name, value in past.items()}
            last = np.array([[token] for _, _, token in grown], np.int64)
            beam = [one for one, _, _ in grown]
        return max(done, key=lambda one: one.score / one.tokens, default=None)

    def _with(self, one: _Hypothesis, word: str, letters: str, log: float) -> _Hypothesis:
        words, states = one.words, one.states
        if word:
            words = (*words, word)
            states = frozenset(e.next for s in states for e in self._grammar.edges[s] if e.word == word)
        return _Hypothesis(words, states, letters, one.score + log, one.tokens + 1)

    def _allowed(self, states: States, letters: str) -> dict[int, tuple[str, str]]:
        """Tokens that go on: the letters after each, and the word that it ends."""
        if (states, letters) not in self._ways:
            ways: dict[int, tuple[str, str]] = {}
            for word in {e.word for s in states for e in self._grammar.edges[s]} - {UNKNOWN}:
                spelled = SPACE + word
                if not spelled.startswith(letters):
                    continue
                for end in range(len(letters) + 1, len(spelled) + 1):
                    token = self._token.get(spelled[len(letters) : end])
                    if token is not None:
                        whole = end == len(spelled)
                        ways[token] = ("", word) if whole else ways.get(token, (spelled[:end], ""))
            self._ways[states, letters] = ways
        return self._ways[states, letters]

    def _step(
        self, sound: npt.NDArray[np.float32], last: npt.NDArray[np.int64], past: dict[str, Any] | None
    ) -> tuple[npt.NDArray[np.float64], dict[str, Any]]:
        rows = len(last)
        given: dict[str, Any] = {
            "input_ids": last,
            "encoder_hidden_states": np.repeat(sound, rows, 0),
            "encoder_attention_mask": np.ones((rows, sound.shape[1]), np.int64),
            "use_cache_branch": np.array([past is not None]),
        }
        empty = np.zeros((rows, _HEADS, 0, _SIZE), np.float32)
        for i in range(_LAYERS):
            for kind in ("decoder.key", "decoder.value", "encoder.key", "encoder.value"):
                given[f"past_key_values.{i}.{kind}"] = empty if past is None else past[f"{i}.{kind}"]
        wanted = {one.name for one in self._decoder.get_inputs()}
        made = self._decoder.run(None, {name: value for name, value in given.items() if name in wanted})
        logits, *present = made
        after = {name.removeprefix("present."): value for name, value in zip(self._names[1:], present, strict=True)}
        if past is not None:
            after |= {name: value for name, value in past.items() if ".encoder." in name}
        return np.asarray(logits[:, -1], np.float64), after


def tokens(path: Path) -> list[str]:
    """The tokens of a ``tokenizer.bin``: each its length, in one byte or two, and its bytes."""
    data, found, at = path.read_bytes(), [], 0
    while at < len(data):
        size = data[at]
        if size >= 128:
            at += 1
            size = data[at] * 128 + size - 128
        found.append(data[at + 1 : at + 1 + size].decode("utf-8", "replace"))
        at += 1 + size
    return found
