"""Pages: nothing stands outside of them, nothing is lost, nothing is printed over the foot, whatever the texts are."""

from datetime import UTC
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from gateway.reports.paper.marks import Line, Mark, Page, Qr, Shape, Words
from gateway.reports.paper.pages import pages_of
from gateway.reports.paper.ruler_marks import narrow_ruler, wide_ruler
from gateway.reports.paper.wrapping import wrapped
from gateway.reports.plan import PaperSize, ReportPlan
from gateway.reports.report import Column, Fact, Group, Kind, Report, Row, Ruler, Table, Total, TotalCell
from tests.reports.every import every_report
from tests.reports.kept import CLOSE, PLAN

TEXTS = st.text(st.characters(min_codepoint=33, max_codepoint=0x17F), max_size=400) | st.text(max_size=60)
NUMBERS = st.decimals(-(10**9), 10**9, places=1)


def measure(text: str, size: float, bold: bool) -> float:
    """Every letter is as wide as every other."""
    return len(text) * size * (0.62 if bold else 0.55)


@st.composite
def reports(draw: st.DrawFn) -> Report:
    columns = (
        Column("name", "Name", share=1.0),
        Column("amount", "Amount", Kind.NUMBER, "m3", "m³"),
        Column("remark", "Remark", share=draw(st.sampled_from([1.0, 3.0]))),
        Column("when", "When", Kind.UTC),
    )
    ruler = Ruler(15.0, draw(st.none() | st.floats(-1.0, 20.0)), ticks=((13.2, "high"), (13.5, "higher")), water_m=0.1)
    rows = [
        Row(
            {"name": draw(TEXTS), "amount": draw(st.none() | NUMBERS), "remark": draw(TEXTS), "when": CLOSE},
            absent={"amount": "no value"},
            notes=tuple(draw(st.lists(TEXTS, max_size=2))),
            ruler=draw(st.sampled_from([None, ruler])),
        )
        for _ in range(draw(st.integers(0, 6)))
    ]
    repeated = tuple(rows) * draw(st.sampled_from([1, 12]))
    total = Total(draw(TEXTS), {"amount": TotalCell(Decimal("12.5"), 1, 2, True)})
    table = Table("Table", columns, (Group(draw(TEXTS), repeated, total),), total, ruler=ruler)
    facts = tuple(Fact("Fact", text) for text in draw(st.lists(TEXTS, max_size=4)))
    return Report(
        "any",
        "Any report",
        draw(TEXTS),
        CLOSE,
        UTC,
        draw(TEXTS),
        (table, table),
        facts,
        tuple(draw(st.lists(TEXTS, max_size=2))),
        simulated=draw(st.booleans()),
        is_upright=draw(st.booleans()),
        signatures=("one", "other"),
    )


def extent(mark: Mark) -> tuple[float, float, float, float]:
    """Left, top, right, bottom."""
    match mark:
        case Words():
            wide = measure(mark.text, mark.size, mark.bold)
            left = mark.x - wide * (mark.align + 1) / 2
            return left, mark.y - mark.size, left + wide, mark.y
        case Line():
            return min(mark.x1, mark.x2), min(mark.y1, mark.y2), max(mark.x1, mark.x2), max(mark.y1, mark.y2)
        case Shape():
            across, down = zip(*mark.corners, strict=True)
            return min(across), min(down), max(across), max(down)
        case Qr():
            return mark.x, mark.y, mark.x + mark.side, mark.y + mark.side


def foot_of(page: Page) -> float:
    """Where the line above the foot is."""
    cautions = [mark.y for mark in page if isinstance(mark, Words) and mark.text.startswith("Not for custody transfer")]
    return max(cautions) - 8.0


@given(reports(), st.sampled_from(PaperSize))
def test_nothing_stands_outside_a_page_or_over_its_foot(report: Report, paper: PaperSize) -> None:
    width, height = paper.points if report.is_upright else paper.points[::-1]
    for page in pages_of(report, ReportPlan(paper=paper), measure):
        foot = foot_of(page)
        begins = next(index for index, mark in enumerate(page) if isinstance(mark, Line) and mark.y1 == mark.y2 == foot)
        for index, mark in enumerate(page):
            left, top, right, bottom = extent(mark)
            # The edge of what is simulated runs on over the edge of the paper.
            if isinstance(mark, Line) and mark.y1 != mark.y2 and mark.x1 != mark.x2:
                continue
            assert left >= -0.01, mark
            assert right <= width + 0.01, mark
            assert top >= -0.01, mark
            assert bottom <= height + 0.01, mark
            if index < begins and isinstance(mark, Words):
                assert bottom <= foot, mark


@given(reports())
def test_no_letter_of_a_note_or_a_fact_is_lost(report: Report) -> None:
    words = [mark.text for page in pages_of(report, PLAN, measure) for mark in page if isinstance(mark, Words)]
    printed = "".join(words).replace(" ", "")
    for text in (*report.notes, *(fact.text for fact in report.facts), report.title):
        assert text.replace(" ", "") in printed


@given(TEXTS, st.floats(20.0, 400.0))
def test_wrapped_lines_fit_and_hold_the_whole_text(text: str, width: float) -> None:
    lines = wrapped(text, width, 8.0, measure, most=10_000)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(measure(line, 8.0, False) <= width or len(line) == 1 for line in lines)


def test_a_text_of_many_lines_ends_with_an_ellipsis() -> None:
    assert wrapped("aa bb cc dd", 10.0, 8.0, measure, most=2) == ["aa", "b\u2026"]


def test_pages_are_counted() -> None:
    for report in every_report().values():
        found = pages_of(report, PLAN, measure)
        counts = [
            mark.text for page in found for mark in page if isinstance(mark, Words) and mark.text.startswith("page ")
        ]
        assert counts == [f"page {number} of {len(found)}" for number in range(1, len(found) + 1)]


def stops(ruler: Ruler) -> list[Mark]:
    return narrow_ruler(ruler, 0.0, 0.0, 100.0)


def test_the_stop_stands_at_the_level_and_points_where_it_goes() -> None:
    marks = stops(Ruler(20.0, 5.0, moves=1))
    assert Line(25.0, -5.5, 25.0, 5.5, 2.2) in marks
    (arrow,) = (mark for mark in marks if isinstance(mark, Shape))
    assert max(x for x, _ in arrow.corners) == 31.0
    assert not any(isinstance(mark, Shape) for mark in stops(Ruler(20.0, 5.0)))


def test_uncertain_is_dashed_with_a_question_mark_and_bad_a_gap() -> None:
    doubtful = stops(Ruler(20.0, 5.0, is_uncertain=True))
    assert any(isinstance(mark, Line) and mark.dashes for mark in doubtful)
    assert any(isinstance(mark, Words) and mark.text == "?" for mark in doubtful)
    lost = stops(Ruler(20.0, None))
    assert not any(isinstance(mark, Line) and mark.width > 1.0 for mark in lost)
    assert min(mark.x1 for mark in lost if isinstance(mark, Line) and mark.y1 == mark.y2) == 14.0


def test_labels_of_limits_that_are_near_stand_below_one_another() -> None:
    ticks = ((0.9, "minimum 0.900 m"), (13.2, "maximum working"), (13.55, "high-high"), (13.95, "critical high"))
    marks, _ = wide_ruler(Ruler(15.24, 9.4, ticks=ticks), 0.0, 0.0, 500.0, measure)
    labels = {mark.text: extent(mark) for mark in marks if isinstance(mark, Words)}
    assert set(labels) == {label for _, label in ticks}
    boxes = list(labels.values())
    for index, (left, top, right, bottom) in enumerate(boxes):
        for other in boxes[index + 1 :]:
            assert right <= other[0] or other[2] <= left or bottom <= other[1] + 0.01 or other[3] <= top + 0.01
