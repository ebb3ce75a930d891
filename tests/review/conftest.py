from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from capture.record import Record
from capture.review.report import report_html
from tests.review.reading import Page
from tests.review.sample import sample_job


@dataclass(frozen=True)
class Sample:
    """The sample job's record and its report."""

    folder: Path
    job: str
    html: str
    page: Page


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Sample:
    folder = tmp_path_factory.mktemp("sample") / "record"
    with Record.create(folder) as record:
        job = sample_job(record)
        html = report_html(record, job)
    return Sample(folder, job, html, Page.of(html))


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    """An empty record, open."""
    with Record.create(tmp_path / "record") as opened:
        yield opened
