"""``python -m capture.speech.training``: from recordings to a model directory."""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from ..lexicon import Lexicon, read_lexicon
from . import corpus as corpora
from . import texts
from .network import Shape


def say(text: str) -> None:
    """Progress on standard output."""
    print(f"[{time.strftime('%H:%M:%S')}] {text}", flush=True)  # noqa: T201


def arguments(given: Sequence[str] | None = None) -> argparse.Namespace:
    """What the caller wants; None: as the program was called."""
    p = argparse.ArgumentParser(prog="python -m capture.speech.training", description=__doc__)
    p.add_argument("--pack", type=Path, nargs="*", default=[], help="packs of recordings (see pack.py)")
    p.add_argument("--recordings", type=Path, help="a folder of recordings with manifest.tsv, instead of packs")
    p.add_argument("--tools", type=Path, help="folder with bin, lib, share of the synthesisers, if not installed")
    p.add_argument("--out", type=Path, required=True, help="folder for checkpoints and the model directory")
    p.add_argument("--start", type=Path, help="checkpoint to go on from")
    p.add_argument("--teacher", type=Path, help="checkpoint of a trained network whose alignment to learn first")
    p.add_argument("--seconds", type=float, default=400, help="time to train")
    p.add_argument("--phone-seconds", type=float, default=100, help="time to learn the phones first")
    p.add_argument("--phone-steps", type=int, default=0, help="steps to learn the phones, instead of a time")
    p.add_argument("--adapt-seconds", type=float, default=100, help="time to carry the phones over to all voices")
    p.add_argument("--adapt-steps", type=int, default=0, help="steps for that, instead of a time")
    p.add_argument("--last-rate", type=float, default=0.3, help="learning rate of the last stage, relative")
    p.add_argument("--steps", type=int, default=0, help="steps to train, instead of a time")
    p.add_argument("--part", type=float, nargs=2, default=(0.0, 1.0), help="share of the last stage to do, of 0 to 1")
    p.add_argument("--joins", type=int, default=12000, help="utterances joined from single recorded words")
    p.add_argument("--espeak", type=int, default=20000, help="sentences by espeak-ng")
    p.add_argument("--flite", type=int, default=8000, help="sentences by flite")
    p.add_argument("--festival", type=int, default=6000, help="sentences by festival")
    p.add_argument("--pico", type=int, default=8000, help="sentences by ttspico")
    p.add_argument("--joe", type=int, default=0, help="sentences by piper's voice joe")
    p.add_argument("--rhvoice", type=int, default=0, help="sentences by RHVoice")
    p.add_argument("--speaking-seconds", type=float, default=120, help="at most this long for synthesis")
    p.add_argument("--throats", type=float, default=0.0, help="share of the clips to add from another throat")
    p.add_argument("--cache", type=Path, help="folder to keep the assembled corpus in between runs")
    p.add_argument("--baked", type=Path, help="folder of features made ahead with --bake")
    p.add_argument("--bake", type=int, nargs=2, metavar=("TIMED", "ALL"), help="only make so many files of features")
    p.add_argument("--splice", type=int, default=1, help="frames on each side that the first layer sees")
    p.add_argument("--width", type=int, default=512)
    p.add_argument("--bottleneck", type=int, default=112)
    p.add_argument("--fast", type=int, default=3, help="layers at the full frame rate")
    p.add_argument("--slow", type=int, default=9, help="layers at a third of it")
    p.add_argument("--rate", type=float, default=2e-3, help="highest learning rate")
    p.add_argument("--warm", type=float, default=0.05, help="share of the time for raising the learning rate")
    p.add_argument("--batch-seconds", type=float, default=900)
    p.add_argument("--batch-most", type=int, default=384)
    p.add_argument("--drop", type=float, default=0.0)
    p.add_argument("--workers", type=int, default=min(8, os.cpu_count() or 1))
    p.add_argument("--seed", type=int, default=1)
    return p.parse_args(given)


def assemble(a: argparse.Namespace) -> corpora.Corpus:
    """The corpus, from the cache if it is there."""
    import pickle

    kept = a.cache / "corpus.pickle" if a.cache else None
    if kept and kept.exists():
        return pickle.loads(kept.read_bytes())  # type: ignore[no-any-return]
    clips = corpora.load(a.pack, a.joins, a.seed)
    if a.recordings:
        from .pack import read_folder

        real = list(read_folder(a.recordings))
        clips += real + corpora.joined(real, a.joins, a.seed)
    say(f"{len(clips)} recorded and joined utterances")
    counts = {"espeak": a.espeak, "flite": a.flite, "festival": a.festival, "pico": a.pico, "joe": a.joe}
    counts["rhvoice"] = a.rhvoice
    counts = {k: v for k, v in counts.items() if v}
    if counts:
        words = sorted(read_lexicon())
        clips += corpora.spoken(counts, words, a.seed, a.tools, os.cpu_count() or 1, a.speaking_seconds)
    clips += corpora.other_throats(clips, a.throats, a.seed, os.cpu_count() or 1)
    hours: dict[str, float] = {}
    for c in clips:
        hours[c.set] = hours.get(c.set, 0) + len(c.pcm) / 16000 / 3600
    say("hours: " + ", ".join(f"{k} {v:.2f}" for k, v in sorted(hours.items())))
    made = corpora.Corpus(clips)
    if kept:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(made, protocol=5))
    return made


def train_one(given: Sequence[str] | None = None) -> None:
    """Assemble, train, export one network."""
    from .export import export
    from .train import Plan, adapt, load_network, pretrain, train

    a = arguments(given)
    corpus = assemble(a)
    say(f"{len(corpus.utterances)} utterances, {len(corpus.audio) / 16000 / 3600:.1f} hours")
    speller = corpora.Speller(Lexicon(), texts.vocabulary())
    plan = Plan(
        shape=Shape(a.splice, a.fast, a.slow, a.width, a.bottleneck),
        seconds=a.seconds,
        steps=a.steps,
        batch_seconds=a.batch_seconds,
        batch_most=a.batch_most,
        rate=a.rate,
        warm=a.warm,
        drop=a.drop,
        seed=a.seed,
        workers=a.workers,
        baked=str(a.baked or ""),
    )
    if a.bake:
        from .bake import bake

        for part, timed, files in (("timed", True, a.bake[0]), ("all", False, a.bake[1])):
            bake(corpus, speller, replace(plan, baked=""), a.out / part, timed, files)
        return
    teacher = load_network(a.teacher) if a.teacher else None
    net = None
    if a.start:
        net = load_network(a.start)
    elif teacher is None:
        net = pretrain(corpus, speller, replace(plan, seconds=a.phone_seconds, steps=a.phone_steps), a.out)
    if a.adapt_seconds or a.adapt_steps:
        net = adapt(corpus, speller, replace(plan, seconds=a.adapt_seconds, steps=a.adapt_steps), a.out, net, teacher)
    assert net is not None, "A new network needs phones or a teacher first."
    plan = replace(plan, rate=plan.rate * a.last_rate, part=tuple(a.part))
    if a.seconds or a.steps:
        net = train(corpus, speller, plan, a.out, net)
    export(net, a.out / "model")
    say(f"model written to {a.out / 'model'}")


if __name__ == "__main__":
    train_one()
