"""Tickets: what is moved is the difference of the figures shown; one that takes another back leaves nothing."""

from collections.abc import Mapping
from datetime import timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.account.transfer import Direction, TransferKind
from gateway.records import Figure
from gateway.reports.plan import ReportPlan, ReportUnits
from gateway.reports.report import Row
from gateway.reports.tables.ticket_list import ticket_list
from gateway.reports.tables.ticket_page import ticket_report
from tests.reports.every import SPAN
from tests.reports.kept import CLOSE, LOST, MARKS, OPENING, PLAN, SCALES, TK_101, gauging, good, side, ticket, uncertain
from tests.reports.kept import LONDON as ZONE


def rows(title: str) -> Mapping[str, Row]:
    report = ticket_report("site", ticket(), ZONE, PLAN, SCALES)
    (table,) = (each for each in report.tables if each.title == title)
    return {str(row.cells["figure"]).split(",")[0]: row for row in table.rows}


def test_a_ticket_by_hand() -> None:
    moved, tank = rows("Amount"), rows("Out of TK-101")
    # 2386.75 and 2354.71 with one decimal, as 32.04 m3 are known: 2386.8 - 2354.7 = 32.1.
    gsv = tank["GSV"].cells
    assert [str(gsv[key]) for key in ("opening", "closing", "moved")] == ["2386.8", "2354.7", "32.1"]
    assert [str(moved["GSV"].cells[key]) for key in ("amount", "uncertainty", "planned")] == ["32.1", "0.6", "32.0"]
    assert str(tank["Level above the datum"].cells["closing"]) == "9.286"
    # 2000.096 - 1973.247 t, as shown: 2000.1 - 1973.2 = 26.9.
    assert str(moved["M"].cells["amount"]) == "26.9"
    assert "moved" not in tank["Level above the datum"].cells


@given(st.floats(0.0, 9e4), st.floats(0.0, 9e4), st.sampled_from(ReportUnits), st.sampled_from(Direction))
def test_moved_is_what_whoever_subtracts_gets(
    before: float, after: float, units: ReportUnits, direction: Direction
) -> None:
    opening = gauging(given={"gsv": good(before)})
    closing = gauging(given={"gsv": good(after)}, instant=CLOSE + timedelta(hours=1))
    one = ticket(1, side(opening, closing, direction))
    report = ticket_report("site", one, ZONE, ReportPlan(units))
    (row,) = (row for row in report.tables[1].rows if str(row.cells["figure"]).startswith("GSV"))
    shown = {key: row.cells[key] for key in ("opening", "closing", "moved")}
    assert all(isinstance(each, Decimal) for each in shown.values())
    opened, closed, moved = (Decimal(str(each)) for each in shown.values())
    assert moved == (closed - opened if direction is Direction.INTO else opened - closed)
    (amount,) = (row for row in report.tables[0].rows if str(row.cells["figure"]).startswith("GSV"))
    assert amount.cells["amount"] == moved


def test_two_tanks_add_up_to_the_ticket() -> None:
    end = CLOSE + timedelta(hours=1)
    first = side(gauging("A", given={"gsv": 500.04}), gauging("A", given={"gsv": 450.09}, instant=end))
    second = side(gauging("B", given={"gsv": 300.04}), gauging("B", given={"gsv": 250.09}, instant=end))
    both = ticket(1, first, second)
    whole = {**first.moved, "gsv": good(99.9)}
    report = ticket_report("site", both._replace(moved=whole), ZONE, PLAN)
    # Each 500.0 - 450.1 = 49.9, together 99.8, which is not 99.9 rounded.
    assert [str(row.cells["amount"]) for row in report.tables[0].rows] == ["99.8"]


def test_what_a_ticket_says_counts_where_its_sheets_say_otherwise() -> None:
    other = {**side(OPENING, OPENING).moved, "gsv": good(12.3)}
    report = ticket_report("site", ticket()._replace(moved=other), ZONE, PLAN)
    (row,) = (row for row in report.tables[0].rows if str(row.cells["figure"]).startswith("GSV"))
    assert str(row.cells["amount"]) == "12.3"


def test_from_tank_to_tank_counts_what_came_in() -> None:
    end = CLOSE + timedelta(hours=1)
    out = side(gauging("A", given={"gsv": 500.0}), gauging("A", given={"gsv": 450.0}, instant=end))
    into = side(gauging("B", given={"gsv": 100.04}), gauging("B", given={"gsv": 150.06}, instant=end), Direction.INTO)
    report = ticket_report("site", ticket(1, out, into, kind=TransferKind.TANK_TO_TANK), ZONE, PLAN)
    assert [table.title for table in report.tables] == ["Amount", "Out of A", "Into B", "Meanwhile"]
    # As shown 150.1 - 100.0, though 50.02 by itself is 50.0; 50.0 left.
    assert [str(row.cells["amount"]) for row in report.tables[0].rows] == ["50.1"]


def test_bad_and_uncertain_are_told_at_the_figure() -> None:
    closing: Mapping[str, Figure | float] = {**TK_101, **LOST, "tov": uncertain(2300.0)}
    lost = ticket(1, side(OPENING, gauging(given=closing, instant=CLOSE + timedelta(hours=3))))
    report = ticket_report("site", lost, ZONE, PLAN)
    amount = {str(row.cells["figure"])[:3]: row for row in report.tables[0].rows}
    assert amount["GSV"].cells["amount"] is None
    assert amount["GSV"].absent["amount"] == "no value"
    assert amount["GSV"].cells["quality"] == "Bad: gauge did not answer within 1 s"
    assert "amount" in amount["TOV"].uncertain
    assert "Bad" in {fact.name: fact.text for fact in report.facts}["Quality"]


def test_marks_stand_on_it() -> None:
    report = ticket_report("site", ticket(marks=MARKS), ZONE, PLAN)
    assert [row.cells["text"] for row in report.tables[-1].rows] == [
        "paused: the driver changes the hose",
        "nobody watched for 3 min: the gateway was down",
    ]


def test_a_reversal_says_what_it_takes_back() -> None:
    report = ticket_report("site", ticket(18, reverses=17), ZONE, PLAN)
    assert report.title == "Ticket 18: takes back ticket 17"
    assert {fact.name: fact.text for fact in report.facts}["Why"] == "the wrong customer"


def test_a_ticket_and_its_reversal_are_nothing() -> None:
    report = ticket_list("site", [ticket(18, reverses=17), ticket()], SPAN, ZONE, PLAN)
    (group,) = report.tables[0].groups
    assert [str(row.cells["gsv"]) for row in group.rows] == ["32.1", "-32.1"]
    assert group.total is not None
    assert group.total.cells["gsv"].value == 0
    words = [str(row.cells["quality"]) for row in group.rows]
    assert ["TAKEN BACK by ticket 18" in each for each in words] == [True, False]


def test_kinds_and_products_are_not_added_to_one_another() -> None:
    receipt = ticket(19, side(OPENING, OPENING, Direction.INTO), kind=TransferKind.RECEIPT)
    groups = ticket_list("site", [ticket(), receipt], SPAN, ZONE, PLAN).tables[0].groups
    assert [group.title for group in groups] == ["diesel, dispatch", "diesel, receipt"]


def test_no_ticket() -> None:
    table = ticket_list("site", [], SPAN, ZONE, PLAN).tables[0]
    assert (table.rows, table.empty) == ((), "no ticket in this span")


@pytest.mark.parametrize("units", ReportUnits)
def test_feet_and_inches_on_paper_are_inches_in_a_workbook(units: ReportUnits) -> None:
    report = ticket_report("site", ticket(), ZONE, ReportPlan(units), SCALES)
    level = report.tables[1].rows[0]
    if units is ReportUnits.METRIC:
        assert (str(level.cells["opening"]), level.cells["unit"], level.shown) == ("9.412", "m", {})
    else:
        # 9.412 m / 0.0254 = 370.551 in, to a sixteenth 370-9/16.
        assert (level.cells["opening"], level.cells["unit"]) == (Decimal("370.5625"), "in")
        assert level.shown["opening"] == "30 ft 10-9/16 in"
