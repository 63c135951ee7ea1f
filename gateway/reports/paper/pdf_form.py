"""A report as PDF: pages of marks drawn by reportlab, with our own font in it. The same report gives the same bytes."""

from functools import cache, lru_cache
from importlib.resources import as_file, files
from typing import Any, BinaryIO

from gateway.reports.paper.marks import Line, Mark, Measure, Qr, Shape, Words
from gateway.reports.paper.pages import pages_of
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Report

__all__ = ["FONT_FILES", "write_pdf"]

FONT_FILES = {False: "DejaVuSansCondensed.ttf", True: "DejaVuSansCondensed-Bold.ttf"}
_NAMES = {False: "Report", True: "Report-Bold"}
_GREY = 0.38
"""5.9:1 on white; text wants 4.5:1."""


def write_pdf(report: Report, plan: ReportPlan, stream: BinaryIO) -> None:
    from reportlab.pdfgen.canvas import Canvas  # not before a report is wanted

    pages = pages_of(report, plan, _measure())
    width, height = plan.paper.points if report.is_upright else plan.paper.points[::-1]
    # Invariant: no date of making, no chance in its identity.
    canvas = Canvas(stream, (width, height), pageCompression=1, invariant=1, lang="en")
    canvas.setTitle(f"{report.title}, {report.site}")
    canvas.setSubject(f"{report.identity}. {report.cautions[0]}")
    canvas.setAuthor("tank-gateway")
    canvas.setCreator("tank-gateway")
    for page in pages:
        for mark in page:
            _draw(mark, canvas, height)
        canvas.showPage()
    canvas.save()


@cache
def _measure() -> Measure:
    """Of the font, which is known to the library after this."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    for bold, name in _NAMES.items():
        with as_file(files("gateway.reports") / "fonts" / FONT_FILES[bold]) as path:
            pdfmetrics.registerFont(TTFont(name, str(path)))

    @lru_cache(20_000)
    def of_one_point(text: str, bold: bool) -> float:
        return float(pdfmetrics.stringWidth(text, _NAMES[bold], 1000.0)) / 1000.0

    def measure(text: str, size: float, bold: bool) -> float:
        return of_one_point(text, bold) * size

    return measure


def _draw(mark: Mark, canvas: Any, height: float) -> None:
    match mark:
        case Words():
            canvas.setFont(_NAMES[mark.bold], mark.size)
            canvas.setFillGray(_GREY if mark.grey else 0.0)
            draw = (canvas.drawCentredString, canvas.drawRightString, canvas.drawString)[mark.align]
            draw(mark.x, height - mark.y, mark.text)
        case Line():
            canvas.setLineWidth(mark.width)
            canvas.setStrokeGray(_GREY if mark.grey else 0.0)
            canvas.setDash(list(mark.dashes))
            canvas.line(mark.x1, height - mark.y1, mark.x2, height - mark.y2)
            canvas.setDash([])
        case Shape():
            path = canvas.beginPath()
            (x, y), *others = mark.corners
            path.moveTo(x, height - y)
            for x, y in others:
                path.lineTo(x, height - y)
            path.close()
            canvas.setLineWidth(mark.width)
            canvas.setStrokeGray(0.0)
            canvas.setFillGray(0.0 if mark.is_filled else 1.0)
            canvas.drawPath(path, stroke=1, fill=1)
        case Qr():
            _draw_qr(mark, canvas, height)


def _draw_qr(mark: Qr, canvas: Any, height: float) -> None:
    rows = _modules(mark.text)
    side = mark.side / len(rows)
    canvas.setFillGray(0.0)
    for row, dark in enumerate(rows):
        begin = None
        # Runs in place of squares: a seam between two squares shows on a screen.
        for column, is_dark in enumerate([*dark, False]):
            if is_dark and begin is None:
                begin = column
            elif not is_dark and begin is not None:
                x, y = mark.x + begin * side, height - mark.y - (row + 1) * side
                canvas.rect(x, y, (column - begin) * side, side, stroke=0, fill=1)
                begin = None


@lru_cache(16)
def _modules(text: str) -> list[list[bool]]:
    """ISO/IEC 18004, as bytes in UTF-8; 15 % of it may be lost."""
    from reportlab.graphics.barcode.qrencoder import QR8bitByte, QRCode, QRErrorCorrectLevel

    code = QRCode(None, QRErrorCorrectLevel.M)
    code.addData(QR8bitByte(text))
    code.make()
    size = range(code.getModuleCount())
    return [[bool(code.isDark(row, column)) for column in size] for row in size]
