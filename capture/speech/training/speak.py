"""``python -m capture.speech.training.speak``: sentences by one synthesiser as a pack, for machines that lack it."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..lexicon import read_lexicon
from .corpus import spoken
from .pack import write_pack
from .synth import ENGINES


def main() -> None:
    """Speak and pack."""
    p = argparse.ArgumentParser(prog="python -m capture.speech.training.speak", description=__doc__)
    p.add_argument("--engine", choices=ENGINES, required=True)
    p.add_argument("--count", type=int, required=True, help="sentences")
    p.add_argument("--out", type=Path, required=True, help="folder of the pack")
    p.add_argument("--bits", type=int, default=16000, help="bits a second")
    p.add_argument("--seconds", type=float, default=3600, help="at most this long")
    p.add_argument("--workers", type=int, default=1)
    p.add_argument("--seed", type=int, default=1)
    a = p.parse_args()
    clips = spoken({a.engine: a.count}, sorted(read_lexicon()), a.seed, None, a.workers, a.seconds)
    print(write_pack(clips, a.out, a.bits, a.engine), "sentences")  # noqa: T201


if __name__ == "__main__":
    main()
