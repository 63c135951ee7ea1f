"""The stock report: every column of the trade, digits that are known, sums of what is shown, nothing silently zero."""

import csv
import io
from decimal import Decimal

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.account.day import TankAtClose
from gateway.records import Figure, Quality, Reason, ReasonCode
from gateway.reports.csv_form import write_csv
from gateway.reports.plan import ReportPlan, ReportUnits
from gateway.reports.report import CAUTIONS, Report
from gateway.reports.tables.stock import stock_report
from gateway.reports.xlsx_form import write_xlsx
from tests.reports.kept import PLAN, SMALL, TK_101, at_close, bad, gauging, good, stock, uncertain

NUMBERS = ("tov", "free_water", "gov", "gsv", "nsv", "mass", "weight_in_air", "pumpable", "room")


def as_csv(report: Report) -> list[dict[str, str]]:
    stream = io.BytesIO()
    write_csv(report, stream)
    return list(csv.DictReader(io.StringIO(stream.getvalue().decode("utf-8"), newline="")))


def as_xlsx(report: Report) -> openpyxl.Workbook:
    stream = io.BytesIO()
    write_xlsx(report, stream)
    return openpyxl.load_workbook(stream)


def test_columns_are_those_that_an_accountant_asks_for() -> None:
    # practice.md, C28: site, tank, product, as-of (local+UTC), level, water, temperature, elements used, reference
    # density, TOV, FW, GOV, CTL, GSV, NSV, mass, air weight, pumpable, room, quality, manual flags, table version.
    wanted = ["site", "tank", "product", "as_of_local", "as_of_utc", "level", "water_level", "liquid_temperature"]
    wanted += ["elements", "reference_density", "tov", "free_water", "gov", "ctl", "gsv", "nsv", "mass"]
    wanted += ["weight_in_air", "pumpable", "room", "quality", "flags", "table_version"]
    keys = [column.key for column in stock_report(stock(), PLAN).tables[0].columns]
    assert [key for key in keys if key in wanted] == wanted


def test_digits_are_those_that_are_known() -> None:
    row = stock_report(stock(), PLAN).tables[0].groups[0].rows[0]
    shown = {key: str(cell) for key, cell in row.cells.items() if isinstance(cell, Decimal)}
    # 1 mm, 0.1 degC, 1 m3 and 0.1 under 1,000, 0.1 t; 963.96 of room and 2166.09 pumpable are rounded down.
    assert shown == {
        "level": "9.412",
        "water_level": "0.035",
        "liquid_temperature": "14.7",
        "reference_density": "838.0",
        "tov": "2395",
        "free_water": "8.9",
        "gov": "2386",
        "ctl": "1.00025",
        "gsv": "2387",
        "nsv": "2387",
        "mass": "2000.1",
        "weight_in_air": "1997.5",
        "pumpable": "2166",
        "room": "963.9",
    }


def test_bad_is_empty_and_counted_and_says_why() -> None:
    (group, *_) = (each for each in stock_report(stock(), PLAN).tables[0].groups if each.title.startswith("diesel"))
    lost = group.rows[1]
    assert lost.cells.get("gsv") is None
    assert lost.absent["gsv"] == "no value"
    assert (
        lost.cells["quality"]
        == "Bad: no L, TOV, FW, GOV, GSV, NSV, M, W, pumpable, room; gauge did not answer within 1 s"
    )
    assert group.total is not None
    gsv = group.total.cells["gsv"]
    # 2387 of TK-101 and 84.9 of TK-103, as shown; TK-102 has no level, TK-300 no sheet.
    assert (gsv.value, gsv.words) == (Decimal("2471.9"), "2 of 4, estimated")
    assert group.total.cells["tov"].words == "2 of 4"


def test_a_tank_without_a_sheet_is_counted_with_its_product() -> None:
    lost = TankAtClose("TK-9", None, False, reasons=(Reason(ReasonCode.NOT_WATCHED, "not watched"),), product="diesel")
    (group,) = stock_report(stock(lost, at_close(gauging("TK-101", "diesel", TK_101))), PLAN).tables[0].groups
    assert group.title == "diesel, standard volumes and reference density at 15 °C"
    assert group.rows[0].cells["quality"] == "Bad: not watched"
    assert group.total is not None
    assert (group.total.cells["gsv"].value, group.total.cells["gsv"].words) == (Decimal(2387), "1 of 2")


def test_none_detected_is_nothing_and_not_missing() -> None:
    none = Figure(None, Quality.GOOD, (Reason(ReasonCode.NONE_DETECTED, "the probe is dry"),), 2.0)
    dry, wet = gauging("A", "diesel", {"free_water": none}), gauging("B", "diesel", {"free_water": 8.91})
    for tanks, value, words in (((dry, wet), Decimal("8.9"), "2 of 2"), ((dry,), None, "1 of 1")):
        total = stock_report(stock(*(at_close(each) for each in tanks)), PLAN).tables[0].groups[0].total
        assert total is not None
        assert (total.cells["free_water"].value, total.cells["free_water"].words) == (value, words)


def test_a_tank_that_moves_at_the_close_is_an_estimate() -> None:
    moving = at_close(gauging("A", "diesel", {"gsv": 500.0}), is_moving=True)
    moving = moving._replace(reasons=(Reason(ReasonCode.MOVING, "it moved at the boundary"),))
    (group,) = stock_report(stock(moving), PLAN).tables[0].groups
    assert group.total is not None
    assert group.total.cells["gsv"].words == "1 of 1, estimated"
    assert group.rows[0].cells["quality"] == "Uncertain: it moved at the boundary"
    assert group.rows[0].cells["flags"] == "moving"


def test_masses_alone_are_summed_over_products() -> None:
    table = stock_report(stock(), PLAN).tables[0]
    assert table.total is not None
    assert set(table.total.cells) == {"mass", "weight_in_air"}
    # 2000.1 + 74.8 + 2691.2; of five tanks TK-102 has no level and TK-300 no sheet.
    assert (table.total.cells["mass"].value, table.total.cells["mass"].words) == (
        Decimal("4766.1"),
        "3 of 5, estimated",
    )


def test_what_is_simulated_counts_on_a_simulated_site_alone() -> None:
    tanks = (
        at_close(gauging("TK-101", "diesel", TK_101)),
        at_close(gauging("TK-103", "diesel", SMALL, simulated=True)),
    )
    real, simulated = (
        stock_report(stock(*tanks, simulated=each), PLAN).tables[0].groups[0].total for each in (False, True)
    )
    assert real is not None
    assert simulated is not None
    assert (real.cells["gsv"].value, real.cells["gsv"].words) == (Decimal(2387), "1 of 2")
    assert (simulated.cells["gsv"].value, simulated.cells["gsv"].words) == (Decimal("2471.9"), "2 of 2, estimated")
    assert "SIMULATED" in str(stock_report(stock(*tanks), PLAN).tables[0].rows[1].cells["flags"])


@given(st.lists(st.floats(0.0, 9e4), min_size=1, max_size=30), st.sampled_from(ReportUnits))
def test_sums_are_those_of_the_rows_in_every_form(volumes: list[float], units: ReportUnits) -> None:
    tanks = [at_close(gauging(f"T-{number}", "diesel", {"gsv": good(value)})) for number, value in enumerate(volumes)]
    report = stock_report(stock(*tanks), ReportPlan(units))
    group = report.tables[0].groups[0]
    assert group.total is not None
    shown = [row.cells["gsv"] for row in group.rows]
    assert group.total.cells["gsv"].value == sum(each for each in shown if isinstance(each, Decimal))
    lines = as_csv(report)
    (name,) = (key for key in lines[0] if key.startswith("gsv ["))
    column = [Decimal(line[name]) for line in lines if line["line"] == "row"]
    (total,) = (Decimal(line[name]) for line in lines if line["line"] == "total")
    assert (column, total) == (shown, sum(column))


def test_cells_of_a_workbook_are_numbers() -> None:
    report = stock_report(stock(), PLAN)
    sheet = as_xlsx(report).active
    rows = list(sheet.iter_rows())
    (header,) = (row for row in rows if row[0].value == "Site" and row[1].value == "Tank")
    place = {cell.value: index for index, cell in enumerate(header)}
    (tank,) = (row for row in rows if row[1].value == "TK-101")
    assert [tank[place[f"{name} (m³)"]].value for name in ("TOV", "GOV", "GSV")] == [2395, 2386, 2387]
    assert tank[place["FW (m³)"]].value == 8.9
    assert (tank[place["Mass (t)"]].value, tank[place["Mass (t)"]].number_format) == (2000.1, "#,##0.0")
    assert str(tank[place["As of, UTC"]].value) == "2026-07-01 04:59:56"
    assert tank[place["As of, local"]].value == "2026-07-01 05:59:56 +01:00"
    (lost,) = (row for row in rows if row[1].value == "TK-102")
    assert lost[place["GSV (m³)"]].value is None
    (small,) = (row for row in rows if row[1].value == "TK-103")
    assert small[place["GSV (m³)"]].number_format == '#,##0.0 "?"'
    texts = [row[0].value for row in rows]
    assert texts.index(CAUTIONS[0]) < rows.index(header)
    (all_products,) = (row for row in rows if row[0].value == "All products")
    assert all_products[place["Mass (t)"]].value == 4766.1


def test_sums_of_a_workbook_are_those_of_its_cells() -> None:
    sheet = as_xlsx(stock_report(stock(), PLAN)).active
    rows = list(sheet.iter_rows(values_only=True))
    header = next(row for row in rows if row[:2] == ("Site", "Tank"))
    diesel = [row for row in rows if row[2] == "diesel"]
    (total,) = (row for row in rows if row[0] == "Total diesel")
    for name in ("TOV (m³)", "GSV (m³)", "Mass (t)"):
        place = header.index(name)
        assert total[place] == pytest.approx(sum(row[place] or 0 for row in diesel), abs=1e-9)


def test_us_units() -> None:
    # 9.412 m is 370.55 in, 370-9/16 in; 2386.75 m3 / 0.158987294928 is 15012.2 bbl; 2000096 kg / 1016.0469088 is
    # 1968.5 long tons; 14.7 degC is 58.5 degF.
    row = stock_report(stock(), ReportPlan(ReportUnits.US)).tables[0].rows[0]
    assert [row.cells[name] for name in ("level", "gsv", "mass", "liquid_temperature")] == [
        Decimal("370.5625"),
        Decimal(15012),
        Decimal("1968.5"),
        Decimal("58.5"),
    ]
    assert row.cells.get("api_gravity") is None
    at_60f = gauging(given={"reference_density": 854.14}, reference_c=(60.0 - 32.0) / 1.8)
    (sheet,) = stock_report(stock(at_close(at_60f)), ReportPlan(ReportUnits.US)).tables[0].rows
    # 141.5 x 999.016 / 854.14 - 131.5 = 34.0 (practice.md, tank 10).
    assert sheet.cells["api_gravity"] == Decimal("34.0")


def test_imperial_gallons_show_no_more_than_is_known() -> None:
    # 2386.75 m3 / 0.00454609 is 525,011 gallons: known to half a cubic metre, 100 gallons. 84.89 m3 is 18,673: to 10.
    rows = stock_report(stock(), ReportPlan(ReportUnits.IMPERIAL)).tables[0].rows
    assert [f"{rows[number].cells['gsv']:f}" for number in (0, 2)] == ["525000", "18670"]


def test_owners_have_their_own_sums() -> None:
    tanks = (
        at_close(gauging("A", "diesel", {"gsv": 500.04, "mass": bad()}), owner="North"),
        at_close(gauging("B", "diesel", {"gsv": 300.04, "mass": 240_000.0}), owner="North"),
        at_close(gauging("C", "diesel", {"gsv": uncertain(100.0), "mass": 80_000.0}), owner="South"),
    )
    table = stock_report(stock(*tanks), PLAN).tables[1]
    north, south = table.rows
    assert [north.cells[key] for key in ("owner", "tanks", "gsv", "mass")] == [
        "North",
        Decimal(2),
        Decimal("800.0"),
        Decimal("240.0"),
    ]
    assert north.cells["included"] == "2 of 2 (GSV); 1 of 2 (Mass)"
    assert south.cells["included"] == "1 of 1, estimated (GSV); 1 of 1 (Mass)"
    assert south.uncertain == {"gsv"}


def test_one_owner_has_what_the_site_has() -> None:
    tanks = [at_close(gauging(name, "diesel", TK_101), owner="North") for name in ("A", "B")]
    assert len(stock_report(stock(*tanks), PLAN).tables) == 1


def test_times_are_iso_8601_in_csv() -> None:
    row = next(line for line in as_csv(stock_report(stock(), PLAN)) if line["line"] == "row")
    assert (row["as_of_local"], row["as_of_utc"]) == ("2026-07-01T05:59:56+01:00", "2026-07-01T04:59:56Z")


def test_no_tanks() -> None:
    report = stock_report(stock()._replace(tanks=()), PLAN)
    assert report.tables[0].rows == ()
    assert [line["line"] for line in as_csv(report)].count("row") == 0
    assert any(row[0] == "there are no tanks" for row in as_xlsx(report).active.iter_rows(values_only=True))


def test_a_good_tank_says_good() -> None:
    row = stock_report(stock(), PLAN).tables[0].rows[0]
    assert row.cells["quality"] == Quality.GOOD.word
