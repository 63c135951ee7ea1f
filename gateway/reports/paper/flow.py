"""Pure: pages that fill from top to bottom, each with its head, its foot, and `page of pages`."""

from datetime import datetime

from gateway.reports.head import SIMULATED
from gateway.reports.paper.marks import Line, Mark, Measure, Page, Qr, Shape, Words
from gateway.reports.paper.wrapping import wrapped
from gateway.reports.report import Report
from gateway.reports.words import both_times

__all__ = ["MARGIN", "Flow"]

MARGIN = 34.0
_QR = 58.0
_FOOT_SIZE = 6.5
_FOOT_LEADING = 8.0
_HATCH = 8.0
_EDGE = 12.0


class Flow:
    """Made for one report. `y` is where the next mark goes."""

    def __init__(self, report: Report, size: tuple[float, float], measure: Measure) -> None:
        self.measure = measure
        self.width, self.height = size if report.is_upright else (size[1], size[0])
        self.left, self.right = MARGIN, self.width - MARGIN
        self._report = report
        self._pages: list[list[Mark]] = []
        self._foot = [
            line
            for caution in report.cautions
            for line in wrapped(caution, self.room, _FOOT_SIZE, measure, bold=caution is report.cautions[0])
        ]
        # One line more for identity and page.
        self.bottom = self.height - MARGIN - (len(self._foot) + 1) * _FOOT_LEADING - 6.0
        self.y = 0.0
        self._top = 0.0
        self._first_page()

    @property
    def room(self) -> float:
        """How wide a line may be."""
        return self.right - self.left

    @property
    def is_fresh(self) -> bool:
        """Whether nothing stands on this page yet below its head."""
        return self.y == self._top

    def add(self, *marks: Mark) -> None:
        self._pages[-1].extend(marks)

    def fits(self, height: float) -> bool:
        return self.y + height <= self.bottom

    def next_page(self) -> None:
        self._new_page()
        report = self._report
        y = MARGIN + 10.0
        self.add(Words(self.left, y, f"{report.title}, {report.site}", 10.0, bold=True))
        self.add(Words(self.right, y, _as_of(report.as_of, report), 7.0, align=1, grey=True))
        self.y = self._top = y + 12.0

    def line(self, text: str, size: float = 8.0, *, bold: bool = False, grey: bool = False) -> None:
        """One paragraph over the whole width; it may go on over pages."""
        for each in wrapped(text, self.room, size, self.measure, bold=bold, most=500):
            if not self.fits(size * 1.3):
                self.next_page()
            self.y += size * 1.3
            self.add(Words(self.left, self.y - size * 0.25, each, size, bold=bold, grey=grey))

    def pages(self) -> tuple[Page, ...]:
        """All of them, now that it is known how many there are."""
        return tuple(
            (*marks, *self._foot_marks(number, len(self._pages))) for number, marks in enumerate(self._pages, start=1)
        )

    def _first_page(self) -> None:
        report = self._report
        self._new_page()
        y = MARGIN + 15.0
        room = self.room - _QR - 16.0
        for text in wrapped(report.title, room, 16.0, self.measure, bold=True):
            self.add(Words(self.left, y, text, 16.0, bold=True))
            y += 18.0
        for text in wrapped(f"Site {report.site}", room, 10.0, self.measure, bold=True):
            self.add(Words(self.left, y, text, 10.0, bold=True))
            y += 12.0
        names = max((self.measure(fact.name, 8.0, False) for fact in report.facts), default=0.0) + 10.0
        for fact in report.facts:
            self.add(Words(self.left, y, fact.name, 8.0, grey=True))
            for text in wrapped(fact.text, room - names, 8.0, self.measure) or [""]:
                self.add(Words(self.left + names, y, text, 8.0))
                y += 10.5
        y = max(y, MARGIN + _QR + 10.0)
        self.add(Qr(self.right - _QR, MARGIN, _QR, report.identity))
        self.add(Line(self.left, y - 4.0, self.right, y - 4.0, 0.8))
        self.y = self._top = y + 4.0
        for note in report.notes:
            self.line(note, 7.0)
        if report.notes:
            self.y += 3.0

    def _new_page(self) -> None:
        self._pages.append([])
        if self._report.simulated:
            self._hatch()

    def _hatch(self) -> None:
        """The edge of what is not real, and the word."""
        for along in range(0, int(self.width), int(_HATCH)):
            for y in (0.0, self.height - _EDGE):
                self.add(Line(along, y + _EDGE, along + _EDGE, y, 0.7))
        for along in range(0, int(self.height), int(_HATCH)):
            for x in (0.0, self.width - _EDGE):
                self.add(Line(x, along + _EDGE, x + _EDGE, along, 0.7))
        text = SIMULATED
        half, middle = self.measure(text, 9.0, True) / 2 + 8.0, self.width / 2
        box = ((middle - half, _EDGE), (middle + half, _EDGE), (middle + half, 26.0), (middle - half, 26.0))
        self.add(Shape(box, is_filled=False), Words(middle, 22.0, text, 9.0, bold=True, align=0))

    def _foot_marks(self, number: int, pages: int) -> list[Mark]:
        y = self.bottom + 6.0
        marks: list[Mark] = [Line(self.left, y, self.right, y, 0.5)]
        for index, text in enumerate(self._foot):
            y += _FOOT_LEADING
            marks.append(Words(self.left, y, text, _FOOT_SIZE, bold=index == 0))
        y += _FOOT_LEADING
        page = f"page {number} of {pages}"
        room = self.room - self.measure(page, _FOOT_SIZE, False) - 12.0
        identity = wrapped(f"record {self._report.identity}", room, _FOOT_SIZE, self.measure, most=1)[0]
        marks.append(Words(self.left, y, identity, _FOOT_SIZE, grey=True))
        marks.append(Words(self.right, y, page, _FOOT_SIZE, align=1))
        return marks


def _as_of(instant: datetime, report: Report) -> str:
    return f"as of {both_times(instant, report.zone)}"
