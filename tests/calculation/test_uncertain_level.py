"""The level tells which elements are in the liquid: an average is no better than it, and without it there is none."""

import struct
from dataclasses import replace
from datetime import timedelta

import pytest

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import ElementPlan, FreeWaterSource, TemperaturePlan, Weighting
from gateway.calculation.temperature.average import NOWHERE, Placement, place_elements, vapour_temperature
from gateway.records import Quality, ReasonCode
from tests.support.plans import (
    NOON,
    bad,
    good,
    sheet,
    straight_input,
    straight_plan,
    temperature_plan,
    uncertain,
    value,
)

FOUR = tuple(good(each) for each in (21.0, 20.0, 19.0, 12.0))
WAS_WET = Placement((True,), (False,))
AVERAGES = ("liquid_temperature", "temperature_spread", "vapour_temperature")


@pytest.mark.parametrize("name", AVERAGES)
def test_an_uncertain_level_makes_what_it_chose_uncertain(name: str) -> None:
    figures = sheet(given=straight_input(level=uncertain(6.0), elements=FOUR)).figures
    figure = getattr(figures, name)
    assert figure.quality == Quality.UNCERTAIN
    assert figure.reasons[-1].code == ReasonCode.INPUT_UNCERTAIN
    assert value(figure) == getattr(sheet(given=straight_input(elements=FOUR)).figures, name).value


def test_a_level_that_jumps_makes_the_average_it_chose_uncertain() -> None:
    """0.5 m within a minute draws a vapour element into the average: that must not be shown Good."""
    plan = straight_plan(maximum_flow_in_m3_s=0.1, maximum_flow_out_m3_s=0.1)
    memory = EMPTY_MEMORY
    start = straight_input(6.9, elements=FOUR)
    for second in range(0, 120, 10):
        _, memory = calculate(plan, start._replace(instant=NOON + timedelta(seconds=second)), memory)
    jumped = straight_input(7.4, elements=FOUR)._replace(instant=NOON + timedelta(seconds=121))
    inventory, _ = calculate(plan, jumped, memory)
    assert inventory.figures.level.quality == Quality.UNCERTAIN
    assert [use.used for use in inventory.elements] == [True, True, True, True]
    assert inventory.figures.liquid_temperature.quality == Quality.UNCERTAIN


@pytest.mark.parametrize("weighting", list(Weighting))
def test_slices_that_begin_at_uncertain_water_make_an_uncertain_average(weighting: Weighting) -> None:
    """The probe is lost and its last Good level stands in: the slices begin there, so the average rests on it.

    Water at 0.5 m, level 6 m, elements at 1, 3 and 5 m with 21, 20 and 19 degC: slices of 1.5, 2 and 2 m, 19.909 degC;
    counted from the bottom they would be 20.0 degC. Equal weights do not rest on the water.
    """
    temperature = replace(temperature_plan(1.0, 3.0, 5.0, 7.0), weighting=weighting)
    plan = straight_plan(free_water=FreeWaterSource.PROBE, temperature=temperature)
    before = straight_input(6.0, elements=FOUR, water=good(0.5))
    inventory, memory = calculate(plan, before, EMPTY_MEMORY)
    assert inventory.figures.liquid_temperature.quality == Quality.GOOD
    lost = before._replace(water=bad(), instant=NOON + timedelta(seconds=10))
    figures = calculate(plan, lost, memory)[0].figures
    assert figures.water_level.quality == Quality.UNCERTAIN
    sliced = weighting is not Weighting.EQUAL
    assert figures.liquid_temperature.quality == (Quality.UNCERTAIN if sliced else Quality.GOOD)
    assert value(figures.liquid_temperature) == pytest.approx(109.5 / 5.5 if sliced else 20.0)


def test_a_temperature_by_hand_does_not_hang_on_the_level() -> None:
    given = straight_input(level=uncertain(0.5), elements=(), manual_temperature=good(20.0))
    figures = sheet(straight_plan(temperature=TemperaturePlan()), given).figures
    assert figures.liquid_temperature.quality == Quality.GOOD


def test_without_a_level_no_element_is_used_and_each_still_shows_what_it_reads() -> None:
    elements = (good(21.0), bad(), good(19.0), good(12.0))
    inventory = sheet(given=straight_input(level=bad(), elements=elements))
    assert [use.used for use in inventory.elements] == [False] * 4
    assert [use.value for use in inventory.elements] == [21.0, None, 19.0, 12.0]
    codes = [use.reason.code for use in inventory.elements if use.reason is not None]
    assert codes == [ReasonCode.INPUT_BAD, ReasonCode.NO_ANSWER, ReasonCode.INPUT_BAD, ReasonCode.INPUT_BAD]


@pytest.mark.parametrize("height_m", [0.7, 1.0, 3.5, 8.5, 13.1, 15.0])
def test_a_float32_level_that_reads_the_very_threshold_has_reached_it(height_m: float) -> None:
    """3.8 m is 3.7999999523 as a binary32 number (IEEE 754): an element at 3.5 m counts all the same."""
    plan = temperature_plan(height_m)
    (level,) = struct.unpack("f", struct.pack("f", height_m + 0.3))
    assert place_elements(plan, level, None, NOWHERE).wet == (True,)
    assert place_elements(plan, level - 1e-4, None, NOWHERE).wet == (False,)
    (leaving,) = struct.unpack("f", struct.pack("f", height_m + 0.2))
    assert place_elements(plan, leaving, None, WAS_WET).wet == (True,)
    assert place_elements(plan, leaving - 1e-4, None, WAS_WET).wet == (False,)


def test_a_float32_level_just_the_clearance_below_an_element_leaves_it_in_the_vapour() -> None:
    (level,) = struct.unpack("f", struct.pack("f", 3.4))
    assert level > 3.4, "3.4000000954 as a binary32 number"
    plan = TemperaturePlan((ElementPlan(3.9, "T1"),))
    assert vapour_temperature(plan, (good(30.0),), level).value == 30.0
    assert vapour_temperature(plan, (good(30.0),), level + 1e-4).value is None


def test_an_element_at_the_very_height_of_the_water_is_in_it() -> None:
    """3264 sixteenths of an inch are 17 ft, also where binary has them a hair apart (0.0254 m to the inch, exact)."""
    water_m = 3264 * 0.0625 * 0.0254
    elements = (ElementPlan(17 * 0.3048, "T1"), ElementPlan(7.0, "T2"))
    plan = straight_plan(temperature=TemperaturePlan(elements), free_water=FreeWaterSource.PROBE)
    inventory = sheet(plan, straight_input(8.0, water=good(water_m), elements=(good(10.0), good(20.0))))
    assert [use.used for use in inventory.elements] == [False, True]
    assert value(inventory.figures.liquid_temperature) == 20.0
