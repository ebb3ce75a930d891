"""One hearing: libvosk with one graph. The only module that touches ``vosk``."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .ending import DECODER_RULES
from .errors import ModelError
from .fst import carries_words, write_fst
from .graph import Graph, boundary_table, words_table
from .heard import Word

RATE = 16000
EMBEDDED = Path(__file__).parent / "model"


MARK = b"\0B<TransitionModel> "


def check_model(folder: Path) -> None:
    """See that a directory holds an acoustic model and its settings; libvosk ends the process on some that do not.

    Raises:
        ModelError: what is missing or damaged.
    """
    if not folder.is_dir():
        raise ModelError(f"There is no model directory {folder}; give the folder that holds 'am' and 'conf'.")
    _need(folder, "am/final.mdl", "conf/mfcc.conf")
    _whole(folder / "am/final.mdl")


def check_other(folder: Path) -> bool:
    """See that a directory is a whole Vosk model; returns whether its graph is static, which takes no grammar.

    Raises:
        ModelError: what is missing or damaged.
    """
    flat = (folder / "HCLG.fst").is_file()
    static = flat or (folder / "graph/HCLG.fst").is_file()
    if flat:
        _need(folder, "final.mdl", "mfcc.conf", *_words_beside(folder, "HCLG.fst"))
    else:
        check_model(folder)
        graph = ["HCLG.fst"] if static else ["HCLr.fst", "Gr.fst"]
        _need(folder, *(f"graph/{name}" for name in graph))
        _need(folder, *(f"graph/{name}" for name in _words_beside(folder / "graph", graph[-1])))
        if not static and not (folder / "graph/disambig_tid.int").is_file():
            raise ModelError(f"The model {folder} has no graph/disambig_tid.int; copy the whole model again.")
    _whole(folder / ("final.mdl" if flat else "am/final.mdl"))
    return static


def _words_beside(folder: Path, graph: str) -> tuple[str, ...]:
    """The list of words that must lie beside a graph; none where the graph carries its own."""
    return () if carries_words(folder / graph) else ("words.txt",)


def _need(folder: Path, *names: str) -> None:
    for name in names:
        path = folder / name
        if not path.is_file() or path.stat().st_size == 0:
            raise ModelError(f"The model {folder} has no {name}, or it is empty; copy the whole model again.")


def _whole(path: Path) -> None:
    """Kaldi's acoustic models begin with a mark and end with the priors' vector."""
    with path.open("rb") as f:
        head = f.read(len(MARK))
        f.seek(-min(path.stat().st_size, 400_000), 2)
        tail = f.read()
    if head != MARK:
        raise ModelError(f"{path} is not an acoustic model; copy the model again.")
    if b"<Priors> " not in tail or b"</Nnet3> " not in tail:
        raise ModelError(f"{path} is cut off; copy the model again.")


def lay_out(graph: Graph, model: Path, folder: Path, beside: Path | None = None) -> None:
    """Make ``folder`` a complete model directory: the acoustic model of ``model`` (linked or copied) and a graph.

    ``beside`` is a directory made before for the same graph.
    """
    for sub in ("am", "conf"):
        shutil.copytree(model / sub, folder / sub, copy_function=_link)
    _set_endings(folder / "conf/model.conf")
    inner = folder / "graph"
    if beside is not None:
        shutil.copytree(beside / "graph", inner, copy_function=_link)
        return
    (inner / "phones").mkdir(parents=True)
    write_fst(inner / "HCLG.fst", graph.states, graph.start, graph.arcs, graph.finals)
    (inner / "words.txt").write_text(words_table(graph), encoding="utf-8")
    (inner / "phones" / "word_boundary.int").write_text(boundary_table(), encoding="ascii")


def _set_endings(settings: Path) -> None:
    """Put our own rules for the end of an utterance into a copy of the model's settings."""
    name = "--endpoint.{}.min-trailing-silence"
    lines = settings.read_text(encoding="utf-8").splitlines() if settings.is_file() else []
    kept = [line for line in lines if not any(line.startswith(name.format(rule)) for rule in DECODER_RULES)]
    settings.unlink(missing_ok=True)
    ours = [f"{name.format(rule)}={seconds}" for rule, seconds in DECODER_RULES.items()]
    settings.write_text("\n".join([*kept, *ours, ""]), encoding="utf-8")


def _link(source: str, target: str) -> None:
    try:
        Path(target).symlink_to(Path(source).resolve())
    except OSError:
        shutil.copyfile(source, target)


def load(folder: Path) -> Any:
    """A ``vosk.Model``.

    Raises:
        ModelError: it cannot be loaded.
    """
    import vosk

    vosk.SetLogLevel(-1)
    try:
        return vosk.Model(str(folder))
    except Exception as fault:
        raise ModelError(f"The model {folder} could not be loaded; it is damaged or not a Vosk model.") from fault


def knows(model: Any, word: str) -> bool:
    """Whether a loaded model has a word."""
    return int(model.vosk_model_find_word(word)) >= 0


def load_graph(graph: Graph, model: Path = EMBEDDED) -> Any:
    """A ``vosk.Model`` of the embedded acoustic model with a graph made here."""
    return load_graphs([(graph, model)])[0]


def load_graphs(pairs: Sequence[tuple[Graph, Path]]) -> list[Any]:
    """A ``vosk.Model`` for each graph with an acoustic model, loaded side by side."""
    for _, model in pairs:
        check_model(model)
    with tempfile.TemporaryDirectory(prefix="benchwitness-graph-") as name:
        folders = [Path(name) / str(i) for i in range(len(pairs))]
        for (graph, model), folder in zip(pairs, folders, strict=True):
            folder.mkdir()
            same = next(f for (g, _), f in zip(pairs, folders, strict=True) if g is graph)
            lay_out(graph, model, folder, same if same != folder else None)
        with ThreadPoolExecutor(len(pairs)) as pool:
            return list(pool.map(load, folders))


@dataclass(frozen=True)
class Result:
    """Words of one utterance; times in seconds from where the hearing began.

    ``ways`` are all ways in which it may have been said, the likeliest first, each with the logarithm of how well it
    fits; empty where they were not asked for. Their words have no confidence of their own.
    """

    words: tuple[Word, ...]
    ways: tuple[tuple[tuple[Word, ...], float], ...] = ()

    @property
    def text(self) -> str:
        """The words with spaces between them."""
        return " ".join(w.text for w in self.words)


class Hearing:
    """A stream of samples to results, one for each utterance."""

    def __init__(self, model: Any, grammar: Iterable[str] | None = None, ways: int = 0) -> None:
        """Begin on a loaded model.

        Args:
            model: what :func:`load` returned.
            grammar: only for models that build their own graph.
            ways: how many ways of hearing an utterance are wanted; 0: the best alone, with confidences.
        """
        import vosk

        vosk.SetLogLevel(-1)
        if grammar is None:
            self._recogniser = vosk.KaldiRecognizer(model, RATE)
        else:
            self._recogniser = vosk.KaldiRecognizer(model, RATE, json.dumps([*grammar, "[unk]"]))
        self._recogniser.SetWords(True)
        if ways:
            self._recogniser.SetMaxAlternatives(ways)

    def accept(self, pcm: bytes) -> bool:
        """Take int16 samples at 16 kHz; true when an utterance has ended."""
        return bool(self._recogniser.AcceptWaveform(pcm))

    def result(self) -> Result:
        """The utterance that has ended."""
        return _result(self._recogniser.Result())

    def finish(self) -> Result:
        """Whatever has been heard up to now; the hearing begins anew."""
        return _result(self._recogniser.FinalResult())

    def partial(self) -> str:
        """The words so far."""
        return str(json.loads(self._recogniser.PartialResult()).get("partial", ""))

    def reset(self) -> None:
        """Forget what was heard."""
        self._recogniser.Reset()


def _result(text: str) -> Result:
    found = json.loads(text)
    if "alternatives" in found:
        ways = tuple((_words(way), float(way["confidence"])) for way in found["alternatives"])
        return Result(ways[0][0] if ways else (), ways)
    return Result(_words(found))


def _words(found: Mapping[str, Any]) -> tuple[Word, ...]:
    words = [
        Word(w["word"], float(w["start"]), float(w["end"]), float(w.get("conf", 1.0))) for w in found.get("result", [])
    ]
    if not words and found.get("text"):
        words = [Word(w, 0.0, 0.0, 0.0) for w in found["text"].split()]
    return tuple(words)
