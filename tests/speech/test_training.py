"""A tiny recogniser trained end to end: from sound to a model that libvosk decodes with. Skipped without torch."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch")
pytest.importorskip("vosk")

from capture.speech.decoder import EMBEDDED, Hearing, load_graph  # noqa: E402
from capture.speech.graph import build  # noqa: E402
from capture.speech.language import loop  # noqa: E402
from capture.speech.lexicon import Lexicon  # noqa: E402
from capture.speech.training import whole  # noqa: E402
from capture.speech.training.__main__ import arguments  # noqa: E402
from capture.speech.training.corpus import Corpus, Speller  # noqa: E402
from capture.speech.training.export import export  # noqa: E402
from capture.speech.training.network import Network, Shape  # noqa: E402
from capture.speech.training.pack import Clip, read_pack, write_pack  # noqa: E402
from capture.speech.training.train import Plan, adapt, load_network, pretrain, train  # noqa: E402

RESONANCES = {"AA": (700, 1200), "IY": (300, 2300), "UW": (320, 800), "EH": (550, 1900)}
WORDS = {"bench": "AA IY", "valve": "UW AA EH", "seat": "IY UW", "case": "EH AA"}


def sound(unit: str, samples: int, rng: np.random.Generator) -> np.ndarray:
    """A buzz with two resonances, or hissing for S."""
    t = np.arange(samples) / 16000
    pitch = rng.uniform(90, 220)
    x = np.zeros(samples)
    for h in range(1, 30):
        f = h * pitch
        gain = sum(1 / (1 + ((f - r) / 90) ** 2) for r in RESONANCES[unit])
        x += gain * np.sin(2 * np.pi * f * t + rng.uniform(0, 6))
    return 4000 * x / np.abs(x).max()


def utterance(words: list[str], rng: np.random.Generator) -> Clip:
    """Words said by the buzzer, with its own phone times."""
    parts, segments, at = [np.zeros(1600)], [("SIL", 0.1)], 0.1
    for w in words:
        for unit in WORDS[w].split():
            n = int(rng.uniform(0.09, 0.16) * 16000)
            parts.append(sound(unit, n, rng))
            at += n / 16000
            segments.append((unit, at))
        n = int(rng.uniform(0.06, 0.15) * 16000)
        parts.append(np.zeros(n))
        at += n / 16000
        segments.append(("SIL", at))
    pcm = np.concatenate(parts) + rng.standard_normal(sum(map(len, parts))) * 20
    return Clip(pcm.astype(np.int16), "buzzer", "buzzer", "?", "synthetic", tuple(words), tuple(segments))


def sentences(count: int, seed: int) -> list[Clip]:
    r, rng = random.Random(seed), np.random.default_rng(seed)
    return [utterance([r.choice(list(WORDS)) for _ in range(r.randint(1, 4))], rng) for _ in range(count)]


def heard(model: object, clip: Clip) -> str:
    hearing = Hearing(model)
    hearing.accept(bytes(9600) + clip.pcm.tobytes() + bytes(16000))
    return hearing.finish().text


def test_a_tiny_recogniser_learns_to_hear(tmp_path: Path) -> None:
    torch.set_num_threads(1)
    corpus = Corpus(sentences(160, 1))
    speller = Speller(Lexicon(WORDS), set(WORDS))
    shape = Shape(2, 0, 3, 64, 24)
    plan = Plan(shape, steps=180, batch_seconds=40, batch_most=16, rate=6e-3, workers=0, average=0.95, warped=0.0)
    net = pretrain(corpus, speller, plan, tmp_path)
    net = train(corpus, speller, replace(plan, steps=30, rate=1e-3), tmp_path, net)
    again = load_network(tmp_path / "network.pt")
    assert torch.equal(again.last.weight, net.last.weight)
    assert heard_right(again, tmp_path) >= 20, "of 25 utterances of the buzzer"
    taught = adapt(corpus, speller, replace(plan, steps=90), tmp_path, None, teacher=again)
    assert heard_right(taught, tmp_path) >= 12, "of 25, by a new network that only learnt the first one's alignment"


def heard_right(net: Network, folder: Path) -> int:
    """How many of 25 new utterances a network hears word for word."""
    export(net, folder / "model")
    model = load_graph(build(loop(WORDS), Lexicon(WORDS).require(WORDS)), folder / "model")
    return sum(heard(model, c) == " ".join(c.words) for c in sentences(25, 2))


def test_packs_keep_words_times_and_sound(tmp_path: Path) -> None:
    pytest.importorskip("soundfile")
    clips = sentences(5, 3)
    assert write_pack(clips, tmp_path, 24000) == 5
    for was, now in zip(clips, read_pack(tmp_path), strict=True):
        assert (was.words, was.set, was.kind) == (now.words, now.set, now.kind)
        assert [u for u, _ in was.segments] == [u for u, _ in now.segments]
        assert len(was.pcm) == len(now.pcm)
        assert np.corrcoef(was.pcm, now.pcm)[0, 1] > 0.9


@pytest.mark.parametrize(("settings", "folder"), [(whole.WIDE, "."), (whole.SMALL, "second")])
def test_the_shipped_networks_are_of_the_size_that_the_training_says(settings: str, folder: str) -> None:
    a = arguments([*settings.split(), *whole.SPOKEN.split(), "--out", "anywhere"])
    net = Network(Shape(a.splice, a.fast, a.slow, a.width, a.bottleneck))
    weights = sum(p.numel() for name, p in net.named_parameters() if not name.startswith("side"))
    size = (EMBEDDED / folder / "am" / "final.mdl").stat().st_size
    assert size == pytest.approx(4 * weights, rel=0.02)
