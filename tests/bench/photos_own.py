"""Scores measuring on freshly drawn pictures: ``python -m tests.bench.photos_own FOLDER [COUNT FIRST_SEED WIDTH]``.

Where FOLDER holds no ``truth.json``, COUNT (200) path-traced pictures from FIRST_SEED on are rendered into it by
``vision/training/pictures.py``: on a GPU in two minutes, else WIDTH (640) pixels wide in a quarter of a minute each
(two cores). Seeds from 5 000 000 on were never trained on; a seed below 5 100 000 was used to set the uncertainty
budget, so an honest score begins above.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
from pathlib import Path

from tests.bench.photos import score, table


def render(folder: Path, count: int, first: int, width: int) -> None:
    """Render pictures and their truth into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    script = Path(__file__).resolve().parents[2] / "vision" / "training" / "pictures.py"
    argv = [sys.executable, str(script), str(folder), str(count), str(first), "36000", str(width)]
    subprocess.run(argv, check=True, cwd=script.parent, env={"PICTURE_SAMPLES": "12", **os.environ})
    with tarfile.open(folder / "pictures.tar") as tar:
        tar.extractall(folder, filter="data")


def main() -> None:
    """Render if need be, score, print."""
    import cv2

    cv2.setNumThreads(1)
    folder = Path(sys.argv[1])
    given = [int(v) for v in sys.argv[2:]]
    count, first, width = given + [200, 5_100_000, 640][len(given) :]
    if not (folder / "truth.json").exists():
        render(folder, count, first, width)
    table(score(folder))


if __name__ == "__main__":
    main()
