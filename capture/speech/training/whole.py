"""``python -m capture.speech.training.whole``: from recordings to the shipped model directory, both networks."""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path

from ..recogniser import SECOND
from .__main__ import train_one

SPOKEN = (
    "--joins 14000 --joe 2000 --festival 1500 --rhvoice 9000 --espeak 20000 --flite 14000 --pico 12000 --throats 0.33 "
    "--speaking-seconds 3600"
)
SMALL = (
    "--splice 3 --fast 0 --slow 9 --width 384 --bottleneck 96 --batch-seconds 500 --batch-most 300 --seed 32 "
    "--phone-steps 1900 --adapt-steps 2800 --steps 42400 --rate 3e-3 --last-rate 0.4"
)
WIDE = (
    "--splice 3 --fast 0 --slow 10 --width 512 --bottleneck 128 --batch-seconds 700 --seed 33 "
    "--adapt-steps 1000 --steps 34400 --rate 3e-3 --last-rate 0.4"
)


def main() -> None:
    """The smaller network finds its own alignment; the wider one learns it from that."""
    p = argparse.ArgumentParser(prog="python -m capture.speech.training.whole", description=__doc__)
    p.add_argument("--recordings", type=Path, required=True, help="a folder of recordings with manifest.tsv")
    p.add_argument("--out", type=Path, required=True, help="folder for checkpoints and, at the end, OUT/model")
    a = p.parse_args()
    data = [*SPOKEN.split(), "--recordings", str(a.recordings), "--cache", str(a.out / "corpus")]
    small, wide = a.out / "small", a.out / "wide"
    train_one([*data, "--out", str(small), *SMALL.split()])
    train_one([*data, "--out", str(wide), "--teacher", str(small / "network.pt"), *WIDE.split()])
    shutil.copytree(wide / "model", a.out / "model", dirs_exist_ok=True)
    shutil.copytree(small / "model", a.out / "model" / SECOND, dirs_exist_ok=True)


if __name__ == "__main__":
    main()
