"""Whatever a sheet or a ticket can be: it is written, Bad is empty, and no cell has a number that no figure gave."""

from datetime import timedelta
from decimal import Decimal

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.account.day import TankAtClose
from gateway.account.gauging import GAUGED, Gauging
from gateway.account.transfer import Direction
from gateway.records import Figure, Quality, Reason, ReasonCode
from gateway.reports.plan import DecimalMark, PaperSize, ReportPlan, ReportUnits, ThousandsMark
from gateway.reports.tables.stock import stock_report
from gateway.reports.tables.ticket_list import ticket_list
from gateway.reports.tables.ticket_page import ticket_report
from gateway.tank_state import Motion
from tests.reports.every import SPAN, as_bytes
from tests.reports.kept import CLOSE, LONDON, gauging, side, stock, ticket

TEXTS = st.text(max_size=30)
REASONS = st.builds(Reason, st.sampled_from(ReasonCode), TEXTS.map(lambda text: text.replace("{", "").replace("}", "")))
VALUES = st.floats(-1e9, 1e9)
PLANS = st.builds(
    ReportPlan,
    st.sampled_from(ReportUnits),
    st.just(DecimalMark.COMMA),
    st.sampled_from([ThousandsMark.SPACE, ThousandsMark.NONE]),
    st.sampled_from(PaperSize),
)


@st.composite
def figures(draw: st.DrawFn) -> Figure:
    quality = draw(st.sampled_from(Quality))
    value = None if quality is Quality.BAD else draw(st.none() | VALUES)
    return Figure(value, quality, tuple(draw(st.lists(REASONS, max_size=2))), 2.0, draw(st.booleans()))


@st.composite
def gaugings(draw: st.DrawFn) -> Gauging:
    names = draw(st.lists(st.sampled_from(GAUGED), unique=True))
    return gauging(
        draw(TEXTS),
        draw(st.sampled_from(["diesel", "gasoline", ""])),
        {name: draw(figures()) for name in names},
        instant=CLOSE + timedelta(seconds=draw(st.integers(-90_000, 90_000))),
        simulated=draw(st.booleans()),
        motion=draw(st.sampled_from(Motion)),
        reference_c=draw(st.sampled_from([None, 15.0, (60.0 - 32.0) / 1.8])),
    )


@st.composite
def tanks(draw: st.DrawFn) -> TankAtClose:
    each = draw(st.none() | gaugings())
    reasons = tuple(draw(st.lists(REASONS, max_size=2)))
    return TankAtClose(draw(TEXTS), each, draw(st.booleans()), draw(TEXTS), reasons, "diesel")


@settings(max_examples=40)
@given(st.lists(tanks(), max_size=6), PLANS, st.booleans())
def test_any_stock(given_tanks: list[TankAtClose], plan: ReportPlan, simulated: bool) -> None:
    report = stock_report(stock(simulated=simulated)._replace(tanks=given_tanks), plan)
    assert len(report.tables[0].rows) == len(given_tanks)
    numbers = [cell for row in report.tables[0].rows for cell in row.cells.values() if isinstance(cell, Decimal)]
    known = [
        figure for tank in given_tanks if tank.gauging for name, figure in tank.gauging.figures.items() if figure.value
    ]
    # API gravity stands twice; nothing else has a number that no figure gave.
    assert len([number for number in numbers if number]) <= len(known) * 2
    assert all(as_bytes(report, plan).values())


@settings(max_examples=40)
@given(gaugings(), gaugings(), st.sampled_from(Direction), PLANS, st.booleans())
def test_any_ticket(opening: Gauging, closing: Gauging, direction: Direction, plan: ReportPlan, back: bool) -> None:
    one = ticket(3, side(opening, closing, direction), reverses=2 if back else None)
    page = ticket_report("site", one, LONDON, plan)
    for row in page.tables[0].rows:
        if str(row.cells["quality"]).startswith("Bad"):
            assert row.cells["amount"] is None
    assert all(as_bytes(page, plan).values())
    assert all(as_bytes(ticket_list("site", [one], SPAN, LONDON, plan), plan).values())
