"""The first and the last value of a tank's range: one step of an instrument beyond an end is the end, no more."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.plan import GaugeKind, GaugePlan, LimitPlan
from gateway.calculation.shapes import Head, LyingCylinder, Sphere
from gateway.records import Quality, ReasonCode
from tests.support.plans import bad, good, sheet, straight_input, straight_plan, value


def float32(number: float) -> float:
    (back,) = struct.unpack("f", struct.pack("f", number))
    return float(back)


def test_a_full_vessel_in_float32_is_full() -> None:
    """2.4 m is 2.4000000954 as a binary32 number (IEEE 754), above a vessel 2.4 m high."""
    full_m = float32(2.4)
    assert full_m > 2.4
    vessel = LyingCylinder(2.4, 8.0, Head.FLAT)
    figures = sheet(
        straight_plan(capacity=vessel, reference_height_m=2.4, limits=LimitPlan()), straight_input(full_m)
    ).figures
    assert (value(figures.level), figures.level.quality) == (2.4, Quality.GOOD)
    assert value(figures.tov) == vessel.volume(2.4)


@given(st.floats(0.3, 30.0))
def test_no_height_of_a_vessel_is_lost_in_float32(height_m: float) -> None:
    vessel = Sphere(height_m)
    plan = straight_plan(capacity=vessel, reference_height_m=vessel.top_m, limits=LimitPlan())
    figures = sheet(plan, straight_input(float32(vessel.top_m), elements=(), manual_temperature=good(15.0))).figures
    assert value(figures.tov) == pytest.approx(vessel.volume(vessel.top_m), rel=1e-9)
    assert figures.tov.quality is Quality.GOOD


@pytest.mark.parametrize(
    ("level_m", "shown_m", "tov_m3"),
    [(10.0008, 10.0, 1000.0), (-0.0008, 0.0, 0.0), (10.001, 10.0, 1000.0), (-0.001, 0.0, 0.0)],
)
def test_one_step_beyond_an_end_is_the_end(level_m: float, shown_m: float, tov_m3: float) -> None:
    figures = sheet(given=straight_input(level_m)).figures
    assert value(figures.level) == shown_m
    assert value(figures.tov) == pytest.approx(tov_m3)
    assert figures.tov.quality is Quality.GOOD


@pytest.mark.parametrize("level_m", [10.0011, 10.4, -0.0011])
def test_more_than_one_step_beyond_an_end_has_no_volume(level_m: float) -> None:
    figures = sheet(given=straight_input(level_m)).figures
    assert value(figures.level) == level_m
    assert (figures.tov.value, figures.tov.reasons[0].code) == (None, ReasonCode.OUTSIDE_TABLE)


def test_the_step_is_that_of_the_instrument_that_gave_the_level() -> None:
    fine, coarse = GaugePlan(GaugeKind.INNAGE), GaugePlan(GaugeKind.INNAGE, resolution_m=0.01)
    plan = straight_plan(gauge=fine, second_gauge=coarse)
    by_second = sheet(plan, straight_input(level=bad(), second_level=good(10.008))).figures
    assert value(by_second.tov) == pytest.approx(1000.0)
    by_first = sheet(plan, straight_input(10.008, second_level=good(10.0))).figures
    assert by_first.tov.quality is Quality.BAD


def test_one_step_above_the_reference_height_is_the_reference_height() -> None:
    figures = sheet(given=straight_input(10.5005)).figures
    assert (value(figures.level), value(figures.ullage)) == (10.5, 0.0)
    assert sheet(given=straight_input(10.5011)).figures.level.quality is Quality.BAD
