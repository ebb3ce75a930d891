"""A certificate as a PDF: A4, in black and grey, its font inside, its text in reading order."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Sequence
from functools import cache
from importlib.resources import as_file, files
from typing import Any
from xml.sax.saxutils import escape

from capture.record.keys import readable
from capture.review import wording as w
from capture.review.badges import Badge
from capture.review.certificate import Certificate, Value
from capture.review.certificate_html import head_code

_PLAIN, _BOLD = "BenchwitnessText", "BenchwitnessBold"
_FILES = {_PLAIN: "SourceSansPro-Regular.ttf", _BOLD: "SourceSansPro-Bold.ttf"}
_MM = 72 / 25.4
_MARGIN = 16 * _MM
_WIDTH = 210 * _MM - 2 * _MARGIN
_INSIDE = 6
"""Points that the library's frame keeps free within itself."""
_GREY, _HAIR, _PALE = "#444444", "#aaaaaa", "#eeeeee"
_NO_GLYPH = "?"
_LIKE = {"✕": "×", "\u202f": "\u00a0", "\u2011": "-"}
"""What stands in for characters that the font lacks and that look alike."""


def certificate_pdf(sheet: Certificate) -> bytes:
    """The whole PDF."""
    from reportlab.lib.pagesizes import A4
    from reportlab.platypus import SimpleDocTemplate

    unit = " ".join(value for _, value in sheet.unit) or sheet.job
    out = io.BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=_MARGIN - _INSIDE,
        rightMargin=_MARGIN - _INSIDE,
        topMargin=14 * _MM,
        bottomMargin=17 * _MM,
        title=f"{sheet.title} {w.clean(unit)}",
        author=w.clean(dict(sheet.facts).get("Workshop", "")),
        subject=f"Job {sheet.job}, head {sheet.checked.head.hash}",
        creator="Benchwitness",
        lang="en-GB",
        displayDocTitle=1,
    )
    writer = _Writer(_glyphs())
    story = writer.story(sheet)
    document.build(story, canvasmaker=_numbered(sheet, writer.text))
    return out.getvalue()


@cache
def _glyphs() -> frozenset[int]:
    """Register the font, once; the characters that it has."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    for name, file in _FILES.items():
        with as_file(files("font_source_sans_pro") / "files" / file) as path:
            font = TTFont(name, str(path))
        pdfmetrics.registerFont(font)
    pdfmetrics.registerFontFamily(_PLAIN, normal=_PLAIN, bold=_BOLD, italic=_PLAIN, boldItalic=_BOLD)
    return frozenset(font.face.charToGlyph)


class _Writer:
    """Turns a certificate into the library's flowing parts."""

    def __init__(self, glyphs: frozenset[int]) -> None:
        self._glyphs = glyphs
        self._lacking = False

    def text(self, value: str) -> str:
        """The text with what the font can print."""
        return "".join(self._mark(mark) for mark in w.clean(value))

    def _mark(self, mark: str) -> str:
        mark = _LIKE.get(mark, mark)
        if ord(mark) in self._glyphs or mark == "\n":
            return mark
        self._lacking = True
        return _NO_GLYPH

    def story(self, sheet: Certificate) -> list[Any]:
        """Everything, top to bottom."""
        parts = [*self._top(sheet), *self._values(sheet), *self._checks(sheet), *self._parts(sheet)]
        parts += [self._heading("Next service due"), self._line(sheet.due, size=11)]
        if sheet.remarks:
            parts += [self._heading("Remarks from the record"), *map(self._point, sheet.remarks)]
        parts += self._signed(sheet)
        parts += [self._heading("Cautions"), *map(self._point, sheet.cautions)]
        parts += self._proof(sheet)
        if self._lacking:
            parts.append(self._line(f"{_NO_GLYPH} may stand for a character that cannot be printed here.", grey=True))
        return parts

    def _top(self, sheet: Certificate) -> Iterable[Any]:
        from reportlab.platypus import Spacer

        yield self._line("Benchwitness", bold=True)
        yield self._line(sheet.title, size=22, bold=True)
        units = sheet.unit or (("Unit", "not identified"),)
        yield self._line(" · ".join(f"{name} {value}" for name, value in units), size=13, bold=True)
        yield Spacer(1, 4)
        facts = list(sheet.facts)
        pairs = [facts[at : at + 2] for at in range(0, len(facts), 2)]
        cells = [[text for name, value in pair for text in (name, value)] for pair in pairs]
        cells = [[*row, *[""] * (4 - len(row))] for row in cells]
        yield self._table([], cells, (24, 65, 27, 62), ruled=False, labels=(0, 2))
        if not sheet.released:
            yield Spacer(1, 6)
            yield self._refusal(sheet)

    def _refusal(self, sheet: Certificate) -> Any:
        from reportlab.platypus import Table

        said = [self._line("This is not a certificate. The unit is not released, because:", size=12, bold=True)]
        rows = [[line] for line in (*said, *map(self._point, sheet.reasons))]
        style: list[Any] = [("LINEBEFORE", (0, 0), (0, -1), 4, "#000000"), ("LINEAFTER", (0, 0), (0, -1), 4, "#000000")]
        style += [
            ("FONTNAME", (0, 0), (-1, -1), _PLAIN),
            ("LINEABOVE", (0, 0), (-1, 0), 4, "#000000"),
            ("LINEBELOW", (0, -1), (-1, -1), 4, "#000000"),
        ]
        style += [("BACKGROUND", (0, 0), (-1, -1), _PALE), ("LEFTPADDING", (0, 0), (-1, -1), 10)]
        style += [("TOPPADDING", (0, 0), (-1, -1), 2), ("BOTTOMPADDING", (0, 0), (-1, -1), 2)]
        return Table(rows, colWidths=[_WIDTH], style=style)

    def _values(self, sheet: Certificate) -> Iterable[Any]:
        yield self._heading("Readings as received and as left")
        rows: list[list[str]] = []
        for line in sheet.values:
            rows.append([line.name, *self._value("As received", line.received)])
            rows.append(["", *self._value("As left", line.left)])
        if not rows:
            yield self._line("No reading is on record.")
            return
        head = ("Reading", "When", "Value", "Uncertainty (k\u00a0=\u00a02)", "Limits", "Verdict", "Gauge")
        yield self._table(head, rows, (27, 29, 19, 23, 25, 22, 33), groups=2)

    def _value(self, what: str, value: Value | None) -> list[str]:
        if value is None:
            return [what, "not taken", "", "", "", ""]
        verdict = self._badge(value.badge) if value.badge else "not judged"
        return [
            what if value.stage.casefold() == what.casefold() else f"{what}, {value.stage}",
            value.text,
            value.uncertainty or "not known",
            value.limits,
            verdict,
            value.gauge,
        ]

    def _checks(self, sheet: Certificate) -> Iterable[Any]:
        if not sheet.checks:
            return
        yield self._heading("Checks")
        rows = [
            [x.name, x.answer, self._badge(x.badge) if x.badge else "an observation", x.before or "–"]
            for x in sheet.checks
        ]
        yield self._table(("Check", "Last answer", "Verdict", "Earlier in the job"), rows, (74, 32, 40, 32))

    def _parts(self, sheet: Certificate) -> Iterable[Any]:
        yield self._heading("Parts fitted, and old parts accounted for")
        if not sheet.parts:
            yield self._line("No part is on record.")
            return
        rows = [
            [x.name, x.kit, str(x.fitted), x.removed, x.lots or "not said", self._badge(x.badge)] for x in sheet.parts
        ]
        yield self._table(
            ("Part", "In the kit", "Fitted", "Old removed", "Lots", "Balance"), rows, (42, 20, 16, 30, 30, 40)
        )

    def _signed(self, sheet: Certificate) -> Iterable[Any]:
        yield self._heading("Signed")
        if not sheet.signed:
            yield self._line("Nobody has signed with a key.")
            return
        rows = []
        for one in sheet.signed:
            stands = f"In doubt: {one.doubt}." if one.doubt else "The signature holds, and the key is known here."
            rows.append([one.role, one.person, w.day_and_clock(one.at), f"{readable(one.key)}\n{stands}"])
        head = ("Role", "Person", "When", "Key, and how the signature stands")
        yield self._table(head, rows, (23, 30, 37, 88))

    def _proof(self, sheet: Certificate) -> Iterable[Any]:
        from reportlab.platypus import CondPageBreak, KeepTogether, Table

        checked = sheet.checked
        found = f"{w.count(checked.faults, 'fault')} found" if checked.faults else "no fault found"
        amount = f"{w.count(checked.rows, 'row')} and {w.count(checked.files, 'file')} recomputed, {found}"
        lines = [
            self._line(f"The whole record was verified on {w.day_and_clock(checked.at)}: {amount}."),
            self._line(f"Head of the record, row {checked.head.seq}", grey=True),
            self._line(readable(checked.head.hash), bold=True),
            self._line("Job", grey=True),
            self._line(sheet.job),
            self._line("This sheet was made", grey=True),
            self._line(w.day_and_clock(sheet.issued)),
            self._line(
                "Keep this sheet: 'benchwitness verify --head HEAD' shows whether the record still holds what it held "
                "then. The QR code is the head and nothing else."
            ),
        ]
        style = [("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (0, 0), 0)]
        style += [("FONTNAME", (0, 0), (-1, -1), _PLAIN)]
        size = 42 * _MM
        code = _code(checked.head.hash, size)
        table = Table([[lines, code]], colWidths=[_WIDTH - size - 4 * _MM, size + 4 * _MM], style=style)
        yield CondPageBreak(60 * _MM)
        yield KeepTogether([self._heading("Proof"), table])

    def _heading(self, text: str) -> Any:
        from reportlab.lib.styles import ParagraphStyle
        from reportlab.platypus import Paragraph

        style = ParagraphStyle(
            "heading",
            fontName=_BOLD,
            fontSize=12,
            leading=15,
            spaceBefore=11,
            spaceAfter=4,
            keepWithNext=1,
            borderWidth=0,
        )
        return Paragraph(escape(self.text(text)), style)

    def _line(self, text: str, *, size: float = 9.5, bold: bool = False, grey: bool = False) -> Any:
        from reportlab.lib.styles import ParagraphStyle
        from reportlab.platypus import Paragraph

        face, colour = _BOLD if bold else _PLAIN, _GREY if grey else "#000000"
        style = ParagraphStyle("line", fontName=face, fontSize=size, leading=size * 1.25, textColor=colour)
        style.splitLongWords = 1
        return Paragraph(escape(self.text(text)).replace("\n", "<br/>"), style)

    def _point(self, text: str) -> Any:
        from reportlab.lib.styles import ParagraphStyle
        from reportlab.platypus import Paragraph

        style = ParagraphStyle("point", fontName=_PLAIN, fontSize=9.5, leading=12, leftIndent=10, bulletIndent=0)
        style.bulletFontName, style.bulletFontSize = _PLAIN, 9.5
        return Paragraph(escape(self.text(text)), style, bulletText="•")

    def _table(
        self,
        head: Sequence[str],
        rows: Sequence[Sequence[str]],
        widths_mm: Sequence[float],
        *,
        ruled: bool = True,
        groups: int = 1,
        labels: Sequence[int] = (),
    ) -> Any:
        """A table that repeats its head on every page; ``groups`` rows stay together, ``labels`` are grey columns."""
        from reportlab.platypus import Table

        cells = [[self._line(text, size=8.5, grey=True) for text in head]] if head else []
        for row in rows:
            cells.append([self._line(text, size=9, grey=at in labels) for at, text in enumerate(row)])
        first = 1 if head else 0
        style: list[Any] = [("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0)]
        style += [("TOPPADDING", (0, 0), (-1, -1), 2), ("BOTTOMPADDING", (0, 0), (-1, -1), 2)]
        style += [("FONTNAME", (0, 0), (-1, -1), _PLAIN)]
        if ruled:
            style += [("LINEABOVE", (0, at), (-1, at), 0.5, _HAIR) for at in range(first, len(cells), groups)]
            style += [("LINEABOVE", (0, first), (-1, first), 1, "#000000")] if head else []
        style += [("NOSPLIT", (0, at), (-1, at + groups - 1)) for at in range(first, len(cells), groups) if groups > 1]
        return Table(cells, colWidths=[width * _MM for width in widths_mm], style=style, repeatRows=first)

    def _badge(self, badge: Badge) -> str:
        symbol = _LIKE.get(badge.symbol, badge.symbol)
        return f"{symbol} {badge.words}" if ord(symbol) in self._glyphs else badge.words


def _code(digest: str, size: float) -> Any:
    """The QR code of a head as squares, with its quiet zone."""
    from reportlab.platypus import Flowable

    matrix = list(head_code(digest).matrix_iter(border=4))
    step = size / len(matrix)

    class Code(Flowable):  # type: ignore[misc]  # the library has no types
        def wrap(self, width: float, height: float) -> tuple[float, float]:
            return size, size

        def draw(self) -> None:
            self.canv.setFillGray(0)
            for y, row in enumerate(matrix):
                for x, dark in enumerate(row):
                    if dark:
                        self.canv.rect(x * step, size - (y + 1) * step, step, step, stroke=0, fill=1)

    return Code()


def _numbered(sheet: Certificate, text: Callable[[str], str]) -> type:
    """A canvas that writes on each page which sheet it is, the page's number of how many, and the mark of one that is
    not released."""
    from reportlab.pdfgen.canvas import Canvas

    unit = text(" ".join(value for _, value in sheet.unit) or "unit not identified")

    class Numbered(Canvas):  # type: ignore[misc]  # the library has no types
        def __init__(self, *arguments: Any, **named: Any) -> None:
            super().__init__(*arguments, **{**named, "initialFontName": _PLAIN})
            self._pages: list[dict[str, Any]] = []

        def showPage(self) -> None:  # noqa: N802
            self._pages.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for number, page in enumerate(self._pages, start=1):
                self.__dict__.update(page)
                self._foot(number, len(self._pages))
                super().showPage()
            super().save()

        def _foot(self, number: int, count: int) -> None:
            self.setFont(_BOLD if not sheet.released else _PLAIN, 8.5)
            self.drawString(_MARGIN, 9 * _MM, f"{sheet.title}: {unit}, head {sheet.checked.head.hash[:16]}")
            self.setFont(_PLAIN, 8.5)
            self.drawRightString(_MARGIN + _WIDTH, 9 * _MM, f"page {number} of {count}")
            if not sheet.released:
                self.setFont(_BOLD, 8.5)
                self.drawCentredString(105 * _MM, 290 * _MM, "NOT RELEASED – THIS IS NOT A CERTIFICATE")

    return Numbered
