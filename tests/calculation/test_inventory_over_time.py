"""What one sheet hands on to the next: doubts, last Good values and windows, whatever happens to the clock."""

from datetime import timedelta

import pytest

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import FreeWaterSource
from gateway.records import Quality, ReasonCode, TankInput
from tests.support.plans import NOON, bad, good, straight_input, straight_plan, value


def at(seconds: float, clock_off_s: float = 0.0, level_m: float = 6.0, **changes: object) -> TankInput:
    """An input `seconds` after the start, by a clock that is off by `clock_off_s`."""
    instant = NOON + timedelta(seconds=seconds + clock_off_s)
    return straight_input(level_m, instant=instant, steady_s=1000.0 + seconds, **changes)


@pytest.mark.parametrize("clock_off_s", [1.7e9, -1.7e9, 3600.0, -3600.0])
def test_setting_the_clock_does_not_end_a_doubt(clock_off_s: float) -> None:
    plan = straight_plan(maximum_flow_in_m3_s=0.1, maximum_flow_out_m3_s=0.1)
    _, memory = calculate(plan, at(0), EMPTY_MEMORY)
    inventory, memory = calculate(plan, at(2, level_m=6.5), memory)
    assert inventory.figures.level.quality == Quality.UNCERTAIN
    inventory, memory = calculate(plan, at(4, clock_off_s, level_m=6.5), memory)
    assert inventory.figures.level.reasons[0].code == ReasonCode.RATE_IMPLAUSIBLE


@pytest.mark.parametrize("clock_off_s", [1.7e9, -1.7e9])
def test_last_good_keeps_its_age_when_the_clock_is_set(clock_off_s: float) -> None:
    plan = straight_plan()
    _, memory = calculate(plan, at(0), EMPTY_MEMORY)
    inventory, _ = calculate(plan, at(60, clock_off_s, level=bad()), memory)
    age_s = inventory.instant.timestamp() - inventory.last_good["tov"].time_s
    assert age_s == pytest.approx(61.0, abs=1e-3), "one second old a minute ago"


def test_last_good_temperature_ends_a_day_later_by_the_steady_clock() -> None:
    plan = straight_plan()
    _, memory = calculate(plan, at(0), EMPTY_MEMORY)
    failed = tuple(bad() for _ in range(4))
    inventory, memory = calculate(plan, at(86_000, -80_000, elements=failed), memory)
    assert value(inventory.figures.liquid_temperature) == 15.0
    inventory, memory = calculate(plan, at(86_500, -80_000, elements=failed), memory)
    assert inventory.figures.liquid_temperature.quality == Quality.BAD


def test_a_jump_of_temperature_stays_in_doubt_until_it_could_have_come_about() -> None:
    """common practice: no more than 2 degC a minute."""
    plan = straight_plan()
    memory = EMPTY_MEMORY
    for seconds in range(-600, 1, 60):
        _, memory = calculate(plan, at(seconds), memory)
    warm = tuple(good(25.0) for _ in range(4))
    qualities = []
    for seconds in range(10, 400, 10):
        inventory, memory = calculate(plan, at(seconds, elements=warm), memory)
        qualities.append((seconds, inventory.figures.liquid_temperature.quality))
    doubtful = [seconds for seconds, quality in qualities if quality == Quality.UNCERTAIN]
    assert doubtful == list(range(10, 300, 10)), "10 degC take five minutes, less the resolution"


def test_with_free_water_unknown_elements_may_stand_in_it() -> None:
    plan = straight_plan(free_water=FreeWaterSource.PROBE)
    inventory, _ = calculate(plan, at(0, water=bad()), EMPTY_MEMORY)
    assert inventory.figures.liquid_temperature.quality == Quality.UNCERTAIN
    assert inventory.figures.gov.quality == Quality.BAD
    assert value(inventory.figures.tov) == 600.0
