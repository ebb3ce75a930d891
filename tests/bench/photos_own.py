"""Scores measuring on freshly drawn pictures: ``python -m tests.bench.photos_own FOLDER [COUNT FIRST_SEED WIDTH]``.

``python -m tests.bench.photos_own COUNT`` does so in a folder of its own that is gone afterwards. Where FOLDER holds
fewer than COUNT (200) pictures, the rest are rendered into it from FIRST_SEED on by ``vision/training/pictures.py``: on
a GPU path-traced in two minutes, else under plainer light (``PICTURE_QUICK``) and WIDTH (800) pixels wide, in five
seconds each on one core. Which seeds were trained on, looked at or scored is told in ``vision/data/NETWORKS.md``;
others give an honest score. Scores are kept in ``tests/bench/laws``.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.bench.photos import score, table


def render(folder: Path, count: int, first: int, width: int) -> None:
    """Render pictures and their truth into ``folder``."""
    script = Path(__file__).resolve().parents[2] / "vision" / "training" / "pictures.py"
    argv = [sys.executable, str(script), str(folder), str(count), str(first), "36000", str(width)]
    quick = {} if any(Path("/dev").glob("nvidia[0-9]*")) else {"PICTURE_QUICK": "1", "PICTURE_SAMPLES": "4"}
    subprocess.run(argv, check=True, cwd=script.parent, env={**quick, **os.environ})


def held(folder: Path) -> int:
    """How many pictures ``folder`` holds."""
    truth = folder / "truth.json"
    return len(json.loads(truth.read_text())["pictures"]) if truth.exists() else 0


def main() -> None:
    """Render if need be, score, print."""
    import cv2

    cv2.setNumThreads(1)
    argv = sys.argv[1:]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place if not argv or argv[0].isdigit() else argv.pop(0))
        given = [int(v) for v in argv]
        count, first, width = given + [200, 5_600_000, 800][len(given) :]
        if held(folder) < count:
            render(folder, count, first, width)
        table(score(folder))


if __name__ == "__main__":
    main()
