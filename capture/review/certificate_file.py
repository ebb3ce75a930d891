"""A certificate as the bytes of a file."""

from __future__ import annotations

from capture.review.certificate import Certificate


def written(sheet: Certificate, suffix: str) -> bytes:
    """The sheet as ".pdf" or ".html".

    Raises:
        KeyError: another kind of file.
    """
    return {".pdf": _pdf, ".html": _html}[suffix](sheet)


def _pdf(sheet: Certificate) -> bytes:
    from capture.review.certificate_pdf import certificate_pdf

    return certificate_pdf(sheet)


def _html(sheet: Certificate) -> bytes:
    from capture.review.certificate_html import certificate_html

    return certificate_html(sheet).encode()
