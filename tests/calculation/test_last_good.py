"""What stands in as "last Good" was Good: a value that was uncertain when it was measured never becomes it later."""

from datetime import timedelta

from gateway.calculation.inventory import calculate
from gateway.records import Input, Inventory, Quality, ReasonCode
from tests.support.plans import NOON, bad, good, straight_input, straight_plan, value

ALL_GOOD = tuple(good(each) for each in (20.0, 20.0, 20.0, 20.0))
ONE_FAILED = (good(26.0), bad(), good(26.0), good(26.0))
ALL_FAILED = (bad(), bad(), bad(), bad())


def course(*steps: tuple[float, tuple[Input, ...]]) -> Inventory:
    """Sheets of one tank at so many hours after noon; the last of them."""
    found: Inventory | None = None
    memory = None
    for hours, elements in steps:
        given = straight_input(elements=elements)._replace(instant=NOON + timedelta(hours=hours))
        plan = straight_plan()
        found, memory = calculate(plan, given) if memory is None else calculate(plan, given, memory)
    assert found is not None
    return found


def test_an_uncertain_average_does_not_become_the_last_good_one() -> None:
    uncertain = course((0, ALL_GOOD), (1, ONE_FAILED))
    assert uncertain.figures.liquid_temperature.quality == Quality.UNCERTAIN
    assert value(uncertain.figures.liquid_temperature) == 26.0
    failed = course((0, ALL_GOOD), (1, ONE_FAILED), (2, ALL_FAILED))
    assert value(failed.figures.liquid_temperature) == 20.0
    assert failed.figures.liquid_temperature.reasons[0].code == ReasonCode.LAST_GOOD_USED


def test_a_last_good_average_does_not_renew_itself() -> None:
    hours = [(float(hour), ALL_FAILED) for hour in range(1, 24)]
    assert course((0, ALL_GOOD), *hours).figures.liquid_temperature.quality == Quality.UNCERTAIN
    assert course((0, ALL_GOOD), *hours, (24.1, ALL_FAILED)).figures.liquid_temperature.quality == Quality.BAD


def test_a_bad_figure_is_told_with_its_last_good_value_not_with_an_uncertain_one() -> None:
    failed = course((0, ALL_GOOD), (1, ONE_FAILED), (30, ALL_FAILED))
    assert failed.figures.liquid_temperature.quality == Quality.BAD
    told = failed.last_good["liquid_temperature"]
    assert told.value == 20.0
    assert told.time_s == NOON.timestamp() - 1.0
