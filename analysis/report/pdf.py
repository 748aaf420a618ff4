"""The report as PDF, for those who file paper: the same contents as the HTML."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import matplotlib as mpl
from matplotlib.figure import Figure as Plot
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import (
    CondPageBreak,
    Image,
    KeepInFrame,
    KeepTogether,
    PageBreak,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
    TableStyle,
)

from analysis.ledger import Ledger, balance
from analysis.report import channels_plot, contents, timeline
from analysis.report.plotting import INK, SHADES
from analysis.report.words import GENERAL_CAUTION
from analysis.review import Review
from analysis.vocabulary.text import by_hand, words

PDF_FILE = "report.pdf"
_PADDING = 12.0
"""What the page keeps free at both sides within its margins [pt]."""
_WIDTH = A4[0] - 36 * mm - _PADDING
_HEIGHT = A4[1] - 31 * mm - _PADDING
_TALLEST = 136 * mm
_MOST_SHRUNK = 1.3
"""A first page that would be longer than this many pages runs on: smaller type is not read."""
DOTS_PER_INCH = 170
"""Of the plots."""
_TONES = {**SHADES, "info": SHADES["note"]}


def _fonts() -> None:
    """Register the fonts that come with matplotlib: they hold every character that a note may."""
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    for name, file in (("Text", "DejaVuSans.ttf"), ("Text-Bold", "DejaVuSans-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    pdfmetrics.registerFontFamily("Text", normal="Text", bold="Text-Bold", italic="Text", boldItalic="Text-Bold")


def _style(size: float, bold: bool = False, **more: Any) -> ParagraphStyle:
    font = "Text-Bold" if bold else "Text"
    return ParagraphStyle(
        f"{size}{bold}",
        fontName=font,
        fontSize=size,
        leading=size * 1.35,
        textColor=HexColor(INK),
        **more,
    )


def render_pdf(review: Review, digests: Mapping[str, str]) -> bytes:
    """Return the report as PDF (A4), the same bytes for the same review.

    Parameters
    ----------
    digests : SHA-256 of each file that the review was made from, by file name.
    """
    _fonts()
    job = review.job.job
    pages, ledger = contents.stage_pages(review), balance(review.stages)
    story = _first_page(review, pages, ledger)
    overview = timeline.draw(review)
    if overview is not None:
        story += [PageBreak(), Paragraph("The job at a glance", _style(14, True, spaceAfter=3)), _image(overview)]
    for page in pages:
        story += [Spacer(1, 6 * mm), *_stage(page)]
    story += [Spacer(1, 6 * mm), *_log(review, ledger, digests)]
    buffer = io.BytesIO()
    document = SimpleDocTemplate(
        buffer, pagesize=A4, leftMargin=18 * mm, rightMargin=18 * mm, topMargin=15 * mm, bottomMargin=16 * mm,
        title=job.name, invariant=True,
    )  # fmt: skip

    name = job.name if len(job.name) <= 90 else f"{job.name[:89]}…"

    def foot(canvas: Any, template: Any) -> None:
        canvas.setFont("Text", 7.5)
        canvas.drawString(18 * mm, 9 * mm, f"{name}{' – simulated data' if job.simulated else ''}")
        canvas.drawRightString(A4[0] - 18 * mm, 9 * mm, f"page {template.page}")

    document.build(story, onFirstPage=foot, onLaterPages=foot)
    return buffer.getvalue()


def _first_page(review: Review, pages: Sequence[contents.StagePage], ledger: Ledger | None) -> list[Any]:
    """Return what the customer reads and signs: the verdicts, the balance, and lines for signatures."""
    job = review.job.job
    story: list[Any] = []
    if job.simulated:
        story += [_bar("SIMULATED DATA – no real machine, site or person"), Spacer(1, 2 * mm)]
    story.append(Paragraph(escape(job.name), _style(16, True, spaceAfter=6)))
    story.append(_two_abreast(contents.particulars(review), 24 * mm))
    story.append(Paragraph("What was found", _style(13, True, spaceBefore=8, spaceAfter=4)))
    story.append(
        _rows(
            [("Stage (UTC)", "Verdict", "In words")],
            [(f"{words(p.name)}\n{contents.between(p.begin, p.end)}", p.verdict, p.text) for p in pages],
            [p.tone for p in pages],
            (35 * mm, 29 * mm, _WIDTH - 64 * mm),
        )
        if pages
        else Paragraph("No stage is known in this log: nothing was judged.", _style(10))
    )
    moved = contents.balance_rows(review, ledger)
    if moved:
        story += [_heading("Refrigerant balance"), _two_abreast(moved, 38 * mm)]
    caution = Paragraph(escape(GENERAL_CAUTION), _style(8.5, spaceBefore=4))
    signed = [caution, Spacer(1, 10 * mm), _signatures()]
    height = sum(part.wrap(_WIDTH, _HEIGHT)[1] + part.getSpaceAfter() for part in [*story, *signed])
    if height < _MOST_SHRUNK * _HEIGHT:
        return [KeepInFrame(0, 0, [*story, *signed], mode="shrink")]
    return [*story, KeepTogether(signed)]


def _stage(page: contents.StagePage) -> list[Any]:
    care = _style(8.5, backColor=HexColor("#fdf7e6"), borderPadding=2, spaceBefore=4)
    head: list[Any] = [
        Paragraph(escape(f"{words(page.name).capitalize()}: {page.verdict}"), _style(14, True, spaceAfter=3)),
        Paragraph(_printed(page.text), _style(10.5, spaceAfter=3)),
        Paragraph(f"{contents.between(page.begin, page.end)} UTC; known from the {page.found_by}.", _style(8)),
        *(Paragraph(escape(line), care) for line in page.cautions),
        Spacer(1, 3 * mm),
    ]
    if page.plot is not None:
        head.append(_image(page.plot))
    parts: list[Any] = [KeepTogether(head)]
    if page.figures:
        parts.append(_two_abreast(page.figures))
    if page.findings:
        parts.append(Spacer(1, 3 * mm))
        parts.append(_findings(page.findings))
    return parts


def _log(review: Review, ledger: Ledger | None, digests: Mapping[str, str]) -> list[Any]:
    heading = Paragraph("The log", _style(14, True, spaceAfter=4))
    parts: list[Any] = []
    doubts = contents.log_findings(review)
    if doubts:
        parts.append(_findings(doubts))
    parts += [Paragraph(escape(line), _style(9, spaceBefore=3)) for line in review.cautions]
    others = channels_plot.draw(review)
    if others is not None:
        name = "Also recorded, not judged" if review.stages else "What was recorded"
        parts.append(KeepTogether([_heading(name), _image(others)]))
    written = contents.notes(review)
    if written:
        parts += [
            _heading("Notes"),
            _pairs([(contents.clock(time), text) for time, text in written]),
        ]
    to_keep = contents.record_rows(review, ledger)
    if to_keep:
        parts += [_heading("Record to keep"), _pairs(to_keep, 8)]
    made_from = [
        _heading("Made from"),
        _pairs([(name, f"SHA-256 {digest}") for name, digest in digests.items()], 6.5),
    ]
    if not parts:
        return [KeepTogether([heading, *made_from])]
    return [CondPageBreak(30 * mm), heading, *parts, KeepTogether(made_from)]


def _heading(text: str) -> Paragraph:
    return Paragraph(text, _style(11, True, spaceBefore=8, spaceAfter=3))


def _findings(findings: Sequence[Any]) -> Table:
    return _rows(
        [("Time (UTC)", "Finding", "What it means")],
        [(contents.clock(f.time), words(f.kind), f.text) for f in findings],
        [f.level for f in findings],
        (32 * mm, 34 * mm, _WIDTH - 66 * mm),
    )


def _pairs(pairs: Sequence[tuple[str, str]], size: float = 9) -> Any:
    if not pairs:
        return Spacer(1, 1 * mm)
    cells = [[Paragraph(escape(a), _style(size, True)), Paragraph(_printed(b), _style(size))] for a, b in pairs]
    return _ruled(cells, (56 * mm, _WIDTH - 56 * mm))


def _two_abreast(pairs: Sequence[tuple[str, str]], label: float = 46 * mm) -> Any:
    """Lay short pairs out in two columns, read downwards; `label` is the width of a name [pt]."""
    if not pairs:
        return Spacer(1, 1 * mm)
    rows = (len(pairs) + 1) // 2
    left, right = pairs[:rows], [*pairs[rows:], ("", "")][:rows]
    cells = [
        [Paragraph(_printed(cell), _style(8.5, at % 2 == 0)) for at, cell in enumerate((*one, *other))]
        for one, other in zip(left, right, strict=True)
    ]
    return _ruled(cells, (label, _WIDTH / 2 - label) * 2)


class _Ruled(Table):
    """A table whose rows go on the next page whole, but one that is longer than half a page."""

    def split(self, width: float, height: float) -> list[Any]:
        self.splitInRow = int(height > 0.5 * _HEIGHT)
        parts: list[Any] = super().split(width, height)
        return parts


def _ruled(cells: list[list[Any]], widths: tuple[float, ...], tints: Sequence[Any] = (), **how: Any) -> Table:
    table = _Ruled(cells, colWidths=widths, hAlign="LEFT", **how)
    tight = [(f"{side}PADDING", (0, 0), (-1, -1), 1.5) for side in ("TOP", "BOTTOM")]
    line = ("LINEBELOW", (0, 0), (-1, -1), 0.4, HexColor("#d9dde3"))
    table.setStyle(TableStyle([line, ("VALIGN", (0, 0), (-1, -1), "TOP"), *tight, *tints]))
    return table


def _rows(
    head: Sequence[tuple[str, ...]], rows: Sequence[tuple[str, ...]], tones: Sequence[str], widths: tuple[float, ...]
) -> Table:
    cells = [[Paragraph(escape(cell), _style(9, True)) for cell in row] for row in head]
    cells += [[_cell(cell, at == 1) for at, cell in enumerate(row)] for row in rows]
    tints = [("BACKGROUND", (1, n), (1, n), HexColor(_TONES[tone])) for n, tone in enumerate(tones, start=1)]
    return _ruled(cells, widths, tints, repeatRows=1)


def _cell(text: str, bold: bool) -> Any:
    """Return the text of a cell; what follows its first line stands small under it."""
    first, *rest = text.split("\n")
    return [Paragraph(_printed(first), _style(9, bold)), *(Paragraph(escape(line), _style(7)) for line in rest)]


def _printed(text: str) -> str:
    """Return a text as it is read on paper, with nothing in it that is markup."""
    return escape(by_hand(text))


def _image(plot: Plot) -> Any:
    width, height = plot.get_size_inches()
    scale = _WIDTH / width
    height = min(height, _TALLEST / scale)  # lower, not smaller: type keeps its size
    plot.set_size_inches(width, height)
    buffer = io.BytesIO()
    plot.savefig(buffer, format="png", dpi=DOTS_PER_INCH, metadata={"Software": None})
    buffer.seek(0)
    return Image(buffer, width=width * scale, height=height * scale)


def _bar(text: str) -> Table:
    table = Table(
        [[Paragraph(text, ParagraphStyle("bar", fontName="Text-Bold", fontSize=10, textColor=HexColor("#ffffff")))]],
        colWidths=_WIDTH, hAlign="LEFT",
    )  # fmt: skip
    table.setStyle(TableStyle([("BACKGROUND", (0, 0), (-1, -1), HexColor(INK))]))
    return table


def _signatures() -> Table:
    table = Table(
        [["Technician, date", "", "Customer, date"]],
        colWidths=(_WIDTH * 0.45, _WIDTH * 0.1, _WIDTH * 0.45),
        hAlign="LEFT",
    )
    line = ("LINEABOVE", (0, 0), (0, 0), 0.8, HexColor(INK))
    other = ("LINEABOVE", (2, 0), (2, 0), 0.8, HexColor(INK))
    table.setStyle(TableStyle([line, other, ("FONT", (0, 0), (-1, -1), "Text", 8.5)]))
    return table
