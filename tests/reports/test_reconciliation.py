"""Reconciliation: lines add up as they are shown, digits by the largest, tolerances of months alone."""

from datetime import timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.account.amount import Amount, AmountKind, AmountSource
from gateway.records import Quality
from gateway.reports.plan import ReportPlan, ReportUnits
from gateway.reports.report import Row
from gateway.reports.tables.reconciliation import day_report, month_report
from gateway.reports.tables.tank_words import reference_notes
from tests.reports.kept import CLOSE, LONDON, PLAN, balance, day, uncertain

VOLUMES = st.floats(0.0, 2e5)


def number(row: Row, key: str) -> Decimal:
    cell = row.cells[key]
    assert isinstance(cell, Decimal)
    return cell


def test_columns_are_those_that_an_accountant_asks_for() -> None:
    # practice.md, C28: opening, receipts, dispatches, adjustments, book, physical, gain/loss, %, month-to-date.
    wanted = ["opening", "receipts", "dispatches", "own_use", "adjustments", "book", "physical", "gain", "percent"]
    report = month_report("site", "2026-06", [day()], LONDON, PLAN)
    (days,) = (table for table in report.tables if table.title == "Days, volumes")
    keys = [column.key for column in days.columns]
    assert [key for key in keys if key in wanted] == wanted
    assert "month_gain" in keys


def test_a_day_by_hand() -> None:
    (row,) = day_report("site", day(), LONDON, PLAN).tables[0].rows
    # 4812 + 1200 - 962 = 5050; physical 4812.4 + 1200 - 962.35 - 2.05 = 5048.0; 5048 - 5050 = -2.
    shown = {key: str(cell) for key, cell in row.cells.items() if isinstance(cell, Decimal)}
    assert {key: shown[key] for key in ("opening", "receipts", "dispatches", "book", "physical", "gain")} == {
        "opening": "4812",
        "receipts": "1200",
        "dispatches": "962",
        "book": "5050",
        "physical": "5048",
        "gain": "-2",
    }
    # -2.05 of 962.35 is -0.213 %.
    assert shown["percent"] == "-0.21"
    assert shown["uncertainty"] == "5"


@given(VOLUMES, VOLUMES, VOLUMES, VOLUMES, st.floats(-1e3, 1e3), st.floats(-1e3, 1e3), st.sampled_from(ReportUnits))
def test_every_line_adds_up_as_it_is_shown(
    opening: float, receipts: float, dispatches: float, own_use: float, adjusted: float, gain: float, units: ReportUnits
) -> None:
    each = balance(
        opening=opening, receipts=receipts, dispatches=dispatches, own_use=own_use, adjustments=adjusted, gain=gain
    )
    row = day_report("site", day(balances=(each,)), LONDON, ReportPlan(units)).tables[0].rows[0]
    book = number(row, "opening") + number(row, "receipts") - number(row, "dispatches") - number(row, "own_use")
    assert number(row, "book") == book + number(row, "adjustments")
    assert number(row, "gain") == number(row, "physical") - number(row, "book")
    assert number(row, "throughput") == number(row, "dispatches") + number(row, "own_use")
    decimals = {len(f"{number(row, key):f}".partition(".")[2]) for key in ("opening", "receipts", "physical", "gain")}
    assert len(decimals) == 1


def test_bad_leaves_the_gain_empty_and_says_why() -> None:
    row = day_report("site", day(balances=(balance(gain=None),)), LONDON, PLAN).tables[0].rows[0]
    assert row.cells["gain"] is None
    assert row.cells["physical"] is None
    assert row.absent["gain"] == "no value"
    assert row.cells["quality"] == "Bad: 2 of 3 tanks; gauge did not answer within 1 s"
    assert isinstance(row.cells["opening"], Decimal)


def test_uncertain_says_estimated() -> None:
    row = day_report("site", day(balances=(balance(quality=Quality.UNCERTAIN),)), LONDON, PLAN).tables[0].rows[0]
    assert row.cells["quality"] == "Uncertain, estimated: the last good value of 2 h ago is used"
    assert "gain" in row.uncertain


def test_movements_of_nobody_stand_beside_the_book() -> None:
    row = day_report("site", day(balances=(balance(unaccounted=uncertain(-12.04)),)), LONDON, PLAN).tables[0].rows[0]
    assert number(row, "unaccounted") == Decimal(-12)
    assert "not in the book" in str(row.cells["quality"])


@pytest.mark.parametrize(
    ("gain", "verdict"), [(-10.1, "yes"), (-10.11, "NO: look into it"), (10.11, "NO: look into it")]
)
def test_tolerance_is_of_a_month_and_by_what_is_kept(gain: float, verdict: str) -> None:
    # 1 % of 962.35 m3 and 130 US gallons of 3.785411784 L: 9.6235 + 0.4921 = 10.1156 m3, here 10.1.
    month = (balance(gain=gain, tolerance=10.1),)
    report = day_report("site", day(month=month), LONDON, PLAN)
    (to_date,) = (table for table in report.tables if table.title.startswith("Month"))
    assert to_date.rows[0].cells["verdict"] == verdict
    assert number(to_date.rows[0], "tolerance") == Decimal("10.1")
    assert "verdict" not in [column.key for column in report.tables[0].columns]


def test_tanks_that_are_less_than_good_or_move_are_named() -> None:
    (table,) = (each for each in day_report("site", day(), LONDON, PLAN).tables if each.title == "Tanks to look at")
    told = {str(row.cells["tank"]): row.cells["quality"] for row in table.rows}
    assert list(told) == ["TK-102", "TK-103", "TK-204", "TK-300"]
    assert told["TK-103"] == "Uncertain: the last good value of 2 h ago is used"
    assert table.rows[2].cells["flags"] == "filling"


def test_amounts_stand_as_what_they_do_to_the_book() -> None:
    first = Amount(
        1, AmountKind.DISPATCH, AmountSource.RACK, "diesel", 32.04, "gsv", CLOSE, CLOSE, "a.smith", "BL-17", 17
    )
    back = first._replace(number=2, reverses=1, why="twice")
    other = Amount(3, AmountKind.RECEIPT, AmountSource.SHIP, "lpg", 20_000.0, "mass", CLOSE, CLOSE, "a.smith", "=cmd")
    table = day_report("site", day(), LONDON, PLAN, [other, back, first]).tables[-1]
    assert [(row.cells["kind"], row.cells.get("volume"), row.cells.get("mass")) for row in table.rows] == [
        ("dispatch", Decimal("-32.0"), None),
        ("takes back 1", Decimal("32.0"), None),
        ("receipt", None, Decimal("20.0")),
    ]
    assert table.rows[0].cells["ticket"] == Decimal(17)


def test_volumes_and_masses_stand_apart_with_their_units() -> None:
    report = day_report("site", day(), LONDON, PLAN)
    signs = {table.title: {column.sign for column in table.columns if column.key == "gain"} for table in report.tables}
    assert signs["Day, volumes"] == {"m³"}
    assert signs["Day, masses"] == {"t"}


def test_a_month_has_each_day_once_by_its_newest_revision() -> None:
    days = [
        day("2026-06-28", end=CLOSE - timedelta(days=2)),
        day("2026-06-29", end=CLOSE - timedelta(days=1)),
        day("2026-06-29", 2, end=CLOSE - timedelta(days=1), balances=(balance(gain=-7.3),)),
        day("2026-06-30"),
    ]
    report = month_report("site", "2026-06", days[::-1], LONDON, PLAN)
    (table,) = (each for each in report.tables if each.title == "Days, volumes")
    assert [(row.cells["day"], row.cells["revision"]) for row in table.rows] == [
        ("2026-06-28", Decimal(1)),
        ("2026-06-29", Decimal(2)),
        ("2026-06-30", Decimal(1)),
    ]
    # Book and physical as shown: 5050; 5050.05 - 7.3 = 5042.75 is 5043.
    assert [number(row, "gain") for row in table.rows] == [Decimal(-2), Decimal(-7), Decimal(-2)]
    total = table.groups[0].total
    assert total is not None
    assert (total.cells["gain"].value, total.cells["receipts"].value) == (Decimal(-11), Decimal(3600))
    assert "opening" not in total.cells
    assert "2026-06-29 revision 2" in [fact.text for fact in report.facts]


@given(VOLUMES, VOLUMES, st.floats(-1e3, 1e3), st.sampled_from(ReportUnits))
def test_the_gain_of_the_month_to_date_is_that_of_the_month(
    opening: float, dispatches: float, gain: float, units: ReportUnits
) -> None:
    """Of a month of one day the three that stand on the page are one: 2205.35 - 239.5 is shown as 2205 - 240."""
    each = (balance(opening=opening, receipts=0.0, dispatches=dispatches, gain=gain),)
    report = month_report("site", "2026-06", [day(balances=each)], LONDON, ReportPlan(units))
    (month,), (of_day,) = (table.rows for table in report.tables)
    assert number(of_day, "month_gain") == number(of_day, "gain") == number(month, "gain")


def test_next_to_nothing_is_no_throughput_and_a_tolerance_below_one_is_not_none() -> None:
    """0.02 m3 went out and 0.05 are missing: -250 % of nothing that the row shows. 130 US gallons are 0.49 m3."""
    each = balance(opening=1622.1, receipts=0.0, dispatches=0.02, gain=-0.05, tolerance=0.492)
    (row,) = day_report("site", day(month=(each,)), LONDON, PLAN).tables[2].rows
    assert (str(row.cells["throughput"]), row.cells["percent"], row.absent["percent"]) == ("0", None, "n/a")
    assert str(row.cells["tolerance"]) == "0.5"


def test_standard_volumes_have_their_reference_temperature() -> None:
    """Where a site has products at 15 degC and at 60 degF, each is named."""
    one = day()
    (tank, *_) = [each for each in one.tanks if each.gauging is not None]
    assert tank.gauging is not None
    assert "GSV and NSV are at 15 \u00b0C." in day_report("site", one, LONDON, PLAN).notes
    assert "GSV and NSV are at 15 \u00b0C." in month_report("site", "2026-06", [one], LONDON, PLAN).notes
    sixty = tank.gauging._replace(product="distillate", reference_temperature_c=(60.0 - 32.0) / 1.8)
    assert reference_notes([tank.gauging, sixty]) == (
        f"GSV and NSV are of {tank.gauging.product} at 15 \u00b0C; of distillate at 60 \u00b0F.",
    )
    assert reference_notes([]) == ()


def test_a_month_without_a_closed_day_is_refused() -> None:
    with pytest.raises(ValueError, match="no day of 2026-06 is closed"):
        month_report("site", "2026-06", [], LONDON, PLAN)


def test_a_day_of_twenty_three_hours_says_so() -> None:
    short = day("2026-03-28")
    short = short._replace(begin=short.end - timedelta(hours=23))
    facts = day_report("site", short, LONDON, PLAN).facts
    assert facts[0].text == "2026-03-28, revision 1, 23 h"
