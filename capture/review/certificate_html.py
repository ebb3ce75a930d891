"""A certificate as one HTML file that needs nothing else, and the QR code of a head."""

from __future__ import annotations

import segno
from markupsafe import Markup

from capture.record.keys import readable
from capture.review import wording as w
from capture.review.certificate import Certificate


def certificate_html(sheet: Certificate) -> str:
    """The whole HTML document."""
    from capture.review.report import asset, hashed, template

    style = asset("certificate.css")
    html: str = template("certificate.html").render(
        sheet=sheet,
        w=w,
        readable=readable,
        qr=Markup(head_code(sheet.checked.head.hash).svg_inline(scale=3, border=4, omitsize=True)),
        style=Markup(style),
        policy=f"default-src 'none'; style-src {hashed(style)}; base-uri 'none'; form-action 'none'",
    )
    return html


def head_code(digest: str) -> segno.QRCode:
    """The QR code of a head: its 64 hexadecimal digits and nothing else, so that a scan can be handed to ``verify``.

    Capital letters make it smaller (ISO/IEC 18004, alphanumeric mode); ``verify`` takes both.
    """
    return segno.make_qr(digest.upper(), error="M")
