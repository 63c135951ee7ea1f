"""The reference point of an ullage gauge rises with the shell: RH (1 + a (TSh - T table)), API MPMS 3.1B."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.history.recalculation import corrected, recalculate
from gateway.calculation.history.recorded import rebuilt, recorded_plan
from gateway.calculation.inventory import calculate
from gateway.calculation.level.reference_height import grown_height
from gateway.calculation.plan import GaugeKind, GaugePlan, LimitPlan, ShellPlan, TankPlan
from gateway.calculation.sheet import explain
from gateway.errors import LimitError
from gateway.records import Quality, ReasonCode
from tests.support.plans import StraightTank, bad, good, sheet, straight_input, straight_plan, uncertain, value

STEEL = 6.20e-6 * 1.8
"""Carbon steel, API MPMS 12.1.1."""


def ullage_plan(height_m: float = 10.5, **changes: object) -> TankPlan:
    fields: dict[str, object] = {
        "gauge": GaugePlan(GaugeKind.ULLAGE),
        "reference_height_m": height_m,
        "shell": ShellPlan(STEEL, 15.0, insulated=True),
    }
    return straight_plan(**(fields | changes))


def test_seven_millimetres_for_forty_degrees_on_fifteen_metres() -> None:
    """15 m x 11.16e-6 x 40 = 6.7 mm."""
    assert grown_height(15.0, STEEL, 55.0, 15.0) - 15.0 == pytest.approx(0.0067, abs=5e-5)
    plan = ullage_plan(15.0, capacity=StraightTank(top_m=15.0))
    figures = sheet(plan, straight_input(level=good(9.0), elements=(good(55.0),) * 4)).figures
    assert value(figures.level) == pytest.approx(6.0 + 15.0 * STEEL * 40.0, abs=1e-9)
    assert value(figures.ullage) == pytest.approx(9.0, abs=1e-9)
    assert figures.level.quality is figures.ullage.quality is Quality.GOOD
    assert value(figures.tov) == pytest.approx(600.67, abs=0.005), "0.67 m3 had been missing"


@given(
    level=st.floats(1.35, 9.9),
    height=st.floats(10.2, 20.0),
    liquid_c=st.floats(-20.0, 95.0),
    ambient_c=st.floats(-30.0, 45.0),
    table_c=st.floats(5.0, 60.0),
    coefficient=st.floats(1.0e-5, 2.4e-5),
    insulated=st.booleans(),
    offset=st.floats(-0.02, 0.02),
    gauges=st.sampled_from([("ullage", None), ("ullage", "ullage"), ("innage", "ullage"), ("ullage", "innage")]),
)
def test_level_by_ullage_is_right_at_any_temperature_and_innage_stays(
    level: float,
    height: float,
    liquid_c: float,
    ambient_c: float,
    table_c: float,
    coefficient: float,
    insulated: bool,
    offset: float,
    gauges: tuple[str, str | None],
) -> None:
    """The oracle: a bare shell is at (7 TL + TA) / 8, an insulated one at TL (API MPMS 12.1.1)."""
    shell_c = liquid_c if insulated else (7.0 * liquid_c + ambient_c) / 8.0
    grown = height * (1.0 + coefficient * (shell_c - table_c))
    readings = {"ullage": grown - level + offset, "innage": level - offset}
    first, second = gauges
    plan = ullage_plan(
        height,
        gauge=GaugePlan(GaugeKind(first), offset),
        second_gauge=None if second is None else GaugePlan(GaugeKind(second), offset),
        shell=ShellPlan(coefficient, table_c, insulated),
    )
    given_input = straight_input(
        level=good(readings[first]),
        second_level=None if second is None else good(readings[second]),
        elements=(good(liquid_c),) * 4,
        ambient=good(ambient_c),
    )
    figures = sheet(plan, given_input).figures
    assert figures.level.value == pytest.approx(level, abs=1e-6)
    assert figures.ullage.value == pytest.approx(grown - level, abs=1e-6)
    assert figures.level.quality is figures.ullage.quality is Quality.GOOD
    if second is not None:
        assert figures.level_difference.value == pytest.approx(0.0, abs=1e-6)
        stood_in = sheet(plan, given_input._replace(level=bad())).figures.level
        assert stood_in.value == pytest.approx(level, abs=1e-6)


@pytest.mark.parametrize(
    ("height_m", "quality"),
    [(5.0, Quality.GOOD), (15.0, Quality.UNCERTAIN)],
    ids=["50 degC on 5 m are 2.8 mm", "50 degC on 15 m are 8.4 mm"],
)
def test_without_a_temperature_the_height_is_that_of_the_table(height_m: float, quality: Quality) -> None:
    plan = ullage_plan(height_m, capacity=StraightTank(top_m=height_m), limits=LimitPlan())
    figures = sheet(plan, straight_input(level=good(1.5), elements=(bad(),) * 4)).figures
    assert figures.level.value == pytest.approx(height_m - 1.5)
    assert figures.level.quality is figures.ullage.quality is figures.tov.quality is quality
    if quality is Quality.UNCERTAIN:
        assert figures.level.reasons[0].code is ReasonCode.INPUT_UNCERTAIN
        assert "at 50 degC from the table's the reference point moves by 8 mm" in figures.level.reasons[0].text


def test_what_is_counted_from_the_datum_stays_good_without_a_temperature() -> None:
    plan = ullage_plan(15.0, gauge=GaugePlan(GaugeKind.INNAGE), second_gauge=GaugePlan(GaugeKind.ULLAGE))
    dead = straight_input(level=good(6.0), second_level=good(9.0), elements=(bad(),) * 4)
    figures = sheet(plan, dead).figures
    assert (figures.level.value, figures.level.quality) == (6.0, Quality.GOOD)
    for figure in (figures.ullage, figures.second_level, figures.level_difference):
        assert figure.quality is Quality.UNCERTAIN
    stood_in = sheet(plan, dead._replace(level=bad())).figures.level
    assert [reason.code for reason in stood_in.reasons] == [
        ReasonCode.SECOND_GAUGE_USED,
        ReasonCode.NO_ANSWER,
        ReasonCode.INPUT_UNCERTAIN,
    ]


def test_an_uncertain_temperature_leaves_the_level_as_good_as_its_gauge() -> None:
    """15 degC of error are 1.8 mm on 10.5 m."""
    elements = (uncertain(40.0), *[good(40.0)] * 3)
    figures = sheet(ullage_plan(), straight_input(level=good(5.0), elements=elements)).figures
    assert figures.liquid_temperature.quality is Quality.UNCERTAIN
    assert figures.level.quality is Quality.GOOD
    assert value(figures.level) == pytest.approx(5.5 + 10.5 * STEEL * 25.0)


def test_a_bare_shell_without_the_airs_temperature_takes_the_liquids() -> None:
    plan = ullage_plan(shell=ShellPlan(STEEL, 15.0))
    for ambient in (None, bad()):
        given_input = straight_input(level=good(5.0), elements=(good(55.0),) * 4, ambient=ambient)
        assert value(sheet(plan, given_input).figures.level) == pytest.approx(5.5 + 10.5 * STEEL * 40.0)


def test_a_full_tank_may_stand_above_the_height_of_the_table() -> None:
    """No ullage at all in a warm tank: at its reference point, which has risen."""
    figures = sheet(ullage_plan(), straight_input(level=good(0.0), elements=(good(55.0),) * 4)).figures
    assert figures.level.value == pytest.approx(10.5 + 10.5 * STEEL * 40.0)
    assert figures.level.quality is Quality.GOOD


def test_the_temperature_is_that_of_the_elements_at_the_grown_level() -> None:
    """4.7 mm of growth lift the level over the margin of an element: level and average agree with each other."""
    plan = ullage_plan()
    elements = (good(55.0), good(55.0), good(51.0), good(20.0))
    growth = 10.5 * STEEL * ((55.0 + 55.0 + 51.0) / 3 - 15.0)
    inventory = sheet(plan, straight_input(level=good(10.5 - 5.3 + growth / 2), elements=elements))
    assert [use.used for use in inventory.elements] == [True, True, True, False]
    assert value(inventory.figures.level) == pytest.approx(5.3 + growth / 2, abs=1e-9)


def test_the_sheet_says_how_the_height_came_about() -> None:
    plan = ullage_plan()
    warm = sheet(plan, straight_input(level=good(5.0), elements=(good(55.0),) * 4))
    lines = {line.name: line for line in explain(plan, warm)}
    height = "reference height 10.500 m (1 + 1.116e-05 /degC (TSh - 15 degC)), API MPMS 3.1B"
    assert (lines["level"].clause, lines["level"].inputs) == (f"{height} - ullage + 0.000 m", ("shell_temperature",))
    assert (lines["ullage"].clause, lines["ullage"].inputs) == (f"{height} - L", ("level", "shell_temperature"))
    unknown = sheet(plan, straight_input(level=good(5.0), elements=(bad(),) * 4))
    lines = {line.name: line for line in explain(plan, unknown)}
    assert (lines["level"].clause, lines["level"].inputs) == ("reference height 10.500 m - ullage + 0.000 m", ())


def test_a_record_comes_back_to_the_last_digit() -> None:
    plan = ullage_plan(second_gauge=GaugePlan(GaugeKind.ULLAGE, 0.003), shell=ShellPlan(STEEL, 15.0))
    for elements in ((good(47.3),) * 4, (bad(),) * 4):
        readings = straight_input(level=good(5.1), second_level=good(5.1), elements=elements, ambient=good(3.1))
        before, _ = calculate(plan, readings)
        (after,) = recalculate(recorded_plan(plan), [rebuilt(recorded_plan(plan), before)])
        assert after.figures == before.figures


def test_a_corrected_density_leaves_the_level() -> None:
    plan = ullage_plan()
    before, _ = calculate(plan, straight_input(level=good(5.1), elements=(good(47.3),) * 4))
    record = rebuilt(recorded_plan(plan), before)
    (after,) = recalculate(recorded_plan(plan), corrected([record], "mistyped sample", reference_density=840.0))
    assert (after.figures.level, after.figures.ullage) == (before.figures.level, before.figures.ullage)


def test_outside_the_metals_range_it_refuses() -> None:
    with pytest.raises(LimitError, match="shell temperature"):
        grown_height(10.0, STEEL, 401.0, 15.0)
    with pytest.raises(LimitError, match="coefficient"):
        grown_height(10.0, 1e-3, 20.0, 15.0)
    hot = straight_input(level=good(4.0), elements=(good(450.0),) * 4)
    assert sheet(ullage_plan(), hot).figures.level.quality is Quality.UNCERTAIN
