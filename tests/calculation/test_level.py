"""The level chain: innage, ullage, datum and what cannot be."""

import pytest

from gateway.calculation import figure
from gateway.calculation.level.chain import checked_level, gauge_level, water_level
from gateway.calculation.plan import GaugeKind, GaugePlan
from gateway.records import Figure, Quality, Reason, ReasonCode
from tests.support.plans import StraightTank, bad, good, uncertain

TANK = StraightTank()
ULLAGE = GaugePlan(GaugeKind.ULLAGE, name="LT-1")
INNAGE = GaugePlan(GaugeKind.INNAGE, name="LT-1")


def test_ullage_is_taken_from_the_reference_height() -> None:
    """common practice: 15.240 - 5.828 = 9.412 m."""
    level = gauge_level(good(5.828), ULLAGE, 15.240)
    assert level.value == pytest.approx(9.412, abs=1e-12)
    assert level.quality == Quality.GOOD


def test_offset_moves_the_gauge_zero_to_the_datum_of_the_table() -> None:
    """common practice: a datum plate 62 mm above the tank floor where the table begins."""
    plan = GaugePlan(GaugeKind.INNAGE, offset_m=0.062)
    assert gauge_level(good(5.000), plan, 15.0).value == pytest.approx(5.062)
    ullage = GaugePlan(GaugeKind.ULLAGE, offset_m=0.062)
    assert gauge_level(good(10.0), ullage, 15.0).value == pytest.approx(5.062)


@pytest.mark.parametrize(
    ("level_m", "code"),
    [(-0.0201, ReasonCode.BELOW_DATUM), (-1.0, ReasonCode.BELOW_DATUM), (15.0011, ReasonCode.ABOVE_REFERENCE_HEIGHT)],
)
def test_a_level_where_no_liquid_can_stand_is_bad(level_m: float, code: ReasonCode) -> None:
    level = gauge_level(good(level_m), INNAGE, 15.0)
    assert (level.value, level.quality, level.reasons[0].code) == (None, Quality.BAD, code)


@pytest.mark.parametrize("level_m", [-0.020, -0.001, 0.0, 15.0])
def test_the_borders_themselves_are_levels(level_m: float) -> None:
    level = gauge_level(good(level_m), INNAGE, 15.0)
    assert (level.value, level.quality) == (level_m, Quality.GOOD)


def test_a_bad_gauge_gives_no_level_and_says_why() -> None:
    level = gauge_level(bad(text="LT-1 does not answer"), INNAGE, 15.0)
    assert (level.value, level.quality, level.reasons[0].text) == (None, Quality.BAD, "LT-1 does not answer")
    assert gauge_level(None, INNAGE, 15.0).quality == Quality.BAD


def test_an_uncertain_gauge_stays_uncertain() -> None:
    assert gauge_level(uncertain(5.0), INNAGE, 15.0).quality == Quality.UNCERTAIN


def _at(level_m: float) -> Figure:
    return checked_level(level_m, figure.good(level_m, 1.0), "LT-1", 15.0)


def test_more_water_than_liquid_is_bad() -> None:
    water = water_level(figure.good(5.0011, 1.0), _at(5.0), TANK, 10.5)
    assert (water.value, water.quality, water.reasons[0].code) == (None, Quality.BAD, ReasonCode.WATER_ABOVE_LEVEL)


@pytest.mark.parametrize("water_m", [-0.020, -0.003, 0.0])
def test_water_at_the_datum_is_none_detected_not_zero(water_m: float) -> None:
    water = water_level(figure.good(water_m, 1.0), _at(5.0), TANK, 10.5)
    assert (water.value, water.quality, water.reasons[0].code) == (None, Quality.GOOD, ReasonCode.NONE_DETECTED)


def test_water_far_below_the_datum_is_bad() -> None:
    assert water_level(figure.good(-0.5, 1.0), _at(5.0), TANK, 10.5).quality == Quality.BAD


@pytest.mark.parametrize("water_m", [-4e37, 10.6, 1e30])
def test_water_that_cannot_be_is_bad_even_while_the_level_is_lost(water_m: float) -> None:
    lost = figure.bad(Reason(ReasonCode.NO_ANSWER, "no answer"))
    assert water_level(figure.good(water_m, 1.0), lost, TANK, 10.5).quality == Quality.BAD
    assert water_level(figure.good(0.1, 1.0), lost, TANK, 10.5).value == 0.1
