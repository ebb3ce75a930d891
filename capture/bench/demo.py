"""Where the demonstration's media lie and where its results may go."""

from __future__ import annotations

import shutil
from pathlib import Path

from capture.errors import EnvironmentFault, UsageError

_MARK = ".benchwitness-demo"


def media_folder() -> Path:
    """The folder ``demo_media``: inside the installed package, or beside it in a checkout.

    Raises:
        EnvironmentFault: it is in neither place.
    """
    package = Path(__file__).resolve().parent.parent
    for place in (package / "demo_media", package.parent / "demo_media"):
        if place.is_dir():
            return place
    raise EnvironmentFault(f"demo_media: not found beside {package}; run from a checkout or install the package anew")


def demo_folder(job: str) -> Path:
    """One demonstration job's folder.

    Raises:
        UsageError: there is no such job.
    """
    jobs = {folder.parent.name: folder.parent for folder in sorted(media_folder().glob("jobs/*/job.toml"))}
    if job not in jobs:
        raise UsageError(f"--job {job}: no such demonstration job; there are {', '.join(jobs)}")
    return jobs[job]


def fresh(out: Path) -> Path:
    """Make an empty results folder; an earlier demonstration's is cleared, anything else is left alone.

    Raises:
        UsageError: the folder exists and holds something else.
    """
    if out.exists() and not (out / _MARK).is_file():
        if not out.is_dir() or any(out.iterdir()):
            raise UsageError(f"{out}: exists and is no earlier demonstration's folder; name another one with --out")
    elif out.exists():
        shutil.rmtree(out)
    out.mkdir(parents=True, exist_ok=True)
    (out / _MARK).write_text("results of 'benchwitness demo'; cleared by the next one\n", "utf-8")
    return out
