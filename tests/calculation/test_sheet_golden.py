"""The order of the sheet against worked arithmetic of API MPMS 12.1.1.

Rows on temperature averages that give no element heights and readings are too thin to use; the printed state of the
demo site and `test_temperature.py` stand in their place.
"""

import math

import pytest

from gateway.calculation.plan import FreeWaterSource, RoofPlan, ShellPlan
from tests.calculation.golden_values import GoldenRow, golden_rows
from tests.support.plans import StraightTank, good, sheet, straight_input, straight_plan, value


@pytest.mark.parametrize("row", golden_rows("sheet.csv", "gov"), ids=lambda row: row.id)
def test_gov(row: GoldenRow) -> None:
    level_m, water_m = row.number("tov") / 100.0, row.number("fw") / 100.0
    # 1 + 2 a dT + (a dT)^2 is (1 + a dT)^2, so this coefficient gives the row's CTSh at 30 degC above the table.
    coefficient = (math.sqrt(row.number("ctsh")) - 1.0) / 30.0
    observed_density = 800.0 * (1.0 - 0.001 * 30.0)
    plan = straight_plan(
        capacity=StraightTank(top_m=200.0),
        reference_height_m=210.0,
        free_water=FreeWaterSource.PROBE,
        shell=ShellPlan(coefficient, 15.0, insulated=True),
        roof=RoofPlan(-row.number("fra") * observed_density, 1.5, 2.0),
    )
    elements = tuple(good(45.0) for _ in range(4))
    figures = sheet(plan, straight_input(level_m, water=good(water_m), elements=elements)).figures
    assert value(figures.ctsh) == pytest.approx(row.number("ctsh"), abs=1e-12)
    assert value(figures.gov) == pytest.approx(row.value, abs=1e-6)


@pytest.mark.parametrize("row", golden_rows("sheet.csv", "nsv"), ids=lambda row: row.id)
def test_nsv(row: GoldenRow) -> None:
    level_m = row.number("gsv") / 100.0
    plan = straight_plan(capacity=StraightTank(top_m=200.0), reference_height_m=210.0)
    given = straight_input(level_m, sediment_water=good(row.number("sediment_water")))
    assert value(sheet(plan, given).figures.nsv) == pytest.approx(row.value, abs=1e-9)
