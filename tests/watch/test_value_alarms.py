"""Alarms of temperature, pressure, free water and rate, at the first and the last value of their ranges."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.inventory import failed
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import FreeWaterSource
from gateway.reasons import because
from gateway.records import Reason, ReasonCode
from gateway.tank_state import AlarmKind, Motion
from gateway.watch import value_alarms
from gateway.watch.alarms.condition import Condition
from gateway.watch.value_alarms import FAST
from tests.support.plans import bad, good, sheet, straight_input, straight_plan, uncertain
from tests.watch.conditions_yard import MAINTENANCE, course, in_maintenance, judged

HOT, COLD = AlarmKind.TEMPERATURE_HIGH, AlarmKind.TEMPERATURE_LOW
HARD, SOFT = AlarmKind.PRESSURE_HIGH, AlarmKind.PRESSURE_LOW
WATER = AlarmKind.WATER_HIGH
FILLING, EMPTYING = AlarmKind.FILLING_TOO_FAST, AlarmKind.EMPTYING_TOO_FAST


def _warm(celsius: float) -> object:
    return straight_input(elements=tuple(good(celsius) for _ in range(4)))


@pytest.mark.parametrize(
    ("kind", "celsius", "active", "inside"),
    [
        (HOT, 60.0, True, False),
        (HOT, 59.9, False, False),
        (HOT, 59.01, False, False),
        (HOT, 58.9, False, True),
        (COLD, 60.0, True, False),
        (COLD, 60.1, False, False),
        (COLD, 60.99, False, False),
        (COLD, 61.1, False, True),
    ],
)
def test_temperature(kind: AlarmKind, celsius: float, active: bool, inside: bool) -> None:
    """Limit 60 degC, deadband 1 degC: of the average of the liquid."""
    found = judged(kind, _warm(celsius), limit=60.0, deadband=1.0)  # type: ignore[arg-type]
    assert (found.active, found.inside) == (active, inside)
    assert found.value == pytest.approx(celsius)
    if active:
        assert found.reason is not None
        assert found.reason.code is (ReasonCode.ABOVE_LIMIT if kind is HOT else ReasonCode.BELOW_LIMIT)
        assert "60.0 degC" in found.reason.text


def test_an_uncertain_temperature_counts_and_none_is_not_judged() -> None:
    """One element reads 25 degC beside 15 degC: the average of the wet ones, at 1, 3 and 5 m, is 18.3 degC."""
    mixed = straight_input(elements=(good(15.0), good(15.0), good(25.0), good(15.0)))
    assert judged(HOT, mixed, limit=18.0).active is True
    none = straight_input(elements=tuple(bad() for _ in range(4)))
    assert judged(HOT, none, limit=18.0).active is None
    assert judged(COLD, none, limit=18.0).active is None


def test_only_where_every_element_used_is_in_maintenance_is_a_temperature_suppressed() -> None:
    served = in_maintenance(61.0)
    one = straight_input(elements=(served, good(61.0), good(61.0), good(61.0)))
    assert judged(HOT, one, limit=60.0).suppressed is None
    wet = straight_input(elements=(served, served, served, good(61.0)))
    found = judged(HOT, wet, limit=60.0)
    assert found.active is True
    assert found.suppressed == MAINTENANCE


@pytest.mark.parametrize(
    ("kind", "pascal", "active", "inside"),
    [
        (HARD, 500e3, True, False),
        (HARD, 499e3, False, False),
        (HARD, 490e3, False, False),
        (HARD, 489e3, False, True),
        (SOFT, 500e3, True, False),
        (SOFT, 501e3, False, False),
        (SOFT, 510e3, False, False),
        (SOFT, 511e3, False, True),
    ],
)
def test_pressure(kind: AlarmKind, pascal: float, active: bool, inside: bool) -> None:
    found = judged(kind, straight_input(vapour_pressure=good(pascal)), limit=500e3, deadband=10e3)
    assert (found.active, found.inside, found.value) == (active, inside, pascal)


def test_a_pressure_without_its_sheet_is_still_one() -> None:
    plan, given = straight_plan(), straight_input(vapour_pressure=good(600e3))
    broken = failed(plan, given, EMPTY_MEMORY, "boom")
    assert judged(HARD, given, plan, inventory=broken, limit=500e3).active is True
    lost = straight_input(vapour_pressure=bad())
    assert judged(HARD, lost, limit=500e3).active is None
    no_number = straight_input(vapour_pressure=good(math.nan))
    assert judged(HARD, no_number, limit=500e3).active is None
    served = judged(HARD, straight_input(vapour_pressure=in_maintenance(600e3)), limit=500e3)
    assert served.active is True
    assert served.suppressed == MAINTENANCE


@pytest.mark.parametrize(
    ("metres", "active", "inside"),
    [(0.100, True, False), (0.099, False, False), (0.095, False, False), (0.0949, False, True), (0.001, False, True)],
)
def test_water(metres: float, active: bool, inside: bool) -> None:
    plan = straight_plan(free_water=FreeWaterSource.PROBE)
    found = judged(WATER, straight_input(water=good(metres)), plan, limit=0.100, deadband=0.005)
    assert (found.active, found.inside, found.value) == (active, inside, metres)


def test_no_water_detected_is_below_every_limit_and_water_above_the_surface_is_above() -> None:
    plan = straight_plan(free_water=FreeWaterSource.PROBE)
    none = straight_input(water=good(0.0)._replace(value=None, reason=Reason(ReasonCode.NONE_DETECTED, "none")))
    assert judged(WATER, none, plan, limit=0.1) == Condition(False)
    above = straight_input(3.0, water=good(3.5))
    assert sheet(plan, above).figures.water_level.value is None
    assert judged(WATER, above, plan, limit=0.1).active is True
    assert judged(WATER, straight_input(water=bad()), plan, limit=0.1).active is None


def test_water_by_dip_rests_on_no_probe() -> None:
    plan = straight_plan(free_water=FreeWaterSource.DIP)
    given = straight_input(dip_water=good(0.2, source="dip"), water=in_maintenance(0.0))
    found = judged(WATER, given, plan, limit=0.1)
    assert found.active is True
    assert found.suppressed is None


@pytest.mark.parametrize(("kind", "way"), [(FILLING, 1.0), (EMPTYING, -1.0)])
def test_a_rate_is_too_fast_above_a_tenth_more_than_the_greatest_flow(kind: AlarmKind, way: float) -> None:
    """400 m3/h: 440 m3/h is that flow and its meter, 441 m3/h is more; deadband 20 m3/h."""
    assert FAST == 1.1
    plan = straight_plan(maximum_flow_in_m3_s=400.0 / 3600.0, maximum_flow_out_m3_s=400.0 / 3600.0)

    def at(rate_m3_h: float) -> Condition:
        moves = course(way * rate_m3_h / 3600.0, motion=Motion.FILLING)
        return judged(kind, plan=plan, moves=moves, deadband=20.0 / 3600.0)

    assert (at(440.0).active, at(440.0).inside) == (False, False)
    fast = at(441.0)
    assert fast.active is True
    assert fast.reason is not None
    assert fast.reason.code is ReasonCode.RATE_HIGH
    assert "at 441.0 m3/h" in fast.reason.text
    assert "400.0 m3/h" in fast.reason.text
    assert at(421.0).inside is False
    assert at(419.0).inside is True
    assert (at(-500.0).active, at(-500.0).inside) == (False, True)
    assert judged(kind, plan=plan, moves=course(None)).active is None
    assert judged(kind, moves=course(9.9)) == Condition(False)


def test_a_rate_by_a_gauge_in_maintenance_is_suppressed() -> None:
    plan = straight_plan(maximum_flow_in_m3_s=0.1)
    found = judged(FILLING, straight_input(level=in_maintenance(5.0)), plan, moves=course(1.0))
    assert found.active is True
    assert found.suppressed == MAINTENANCE
    doubted = judged(FILLING, straight_input(level=uncertain(5.0)), plan, moves=course(1.0))
    assert doubted.active is True
    assert doubted.suppressed is None


@given(greatest_m3_h=st.floats(1.0, 5000.0), times=st.floats(1.11, 3.0))
def test_a_sentence_never_says_that_what_is_too_fast_is_as_fast_as_it_may_be(
    greatest_m3_h: float, times: float
) -> None:
    phrase = because(
        ReasonCode.RATE_HIGH,
        value_alarms._TOO_FAST[AlarmKind.EMPTYING_TOO_FAST],
        rate=times * greatest_m3_h / 3600.0,
        greatest=greatest_m3_h / 3600.0,
    ).text
    rate, greatest = (float(word.replace(",", "")) for word in re.findall(r"([\d,.]+) m3/h", phrase))
    assert rate > greatest
