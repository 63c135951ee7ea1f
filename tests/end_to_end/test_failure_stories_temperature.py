"""Failure stories of temperature, each played to its end: a level below the lowest element, an open one, layers."""

from pathlib import Path

import pytest

from gateway.records import Quality
from gateway.tank_record import EventKind, TankRecord
from tests.end_to_end.story import codes, played, text

GOOD, UNCERTAIN = Quality.GOOD, Quality.UNCERTAIN


def used(record: TankRecord) -> list[float]:
    """Heights of the elements that the average is made of."""
    return [each.height_m for each in record.inventory.elements if each.used]


async def test_story_1_a_level_below_the_lowest_element_averages_no_vapour(tmp_path: Path) -> None:
    """Its lowest element stands at 1 m and counts from 1.3 m, or 1.2 m as the level falls; the four above, in vapour
    of up to 19.2 degC, never do. Nobody has to act: what is told is a quality."""
    scenario = {"tanks": {"TK-101": {"level": "1.320 m"}}}
    async with played(["TK-101"], tmp_path, factor=300.0, period="20 s", scenario=scenario) as story:
        await story.until("TK-101", lambda record: record.inventory.figures.gsv.value)
        story.simulator.tank("TK-101").set_flow(-300.0)
        below = await story.until("TK-101", lambda record: "last_good_used" in _doubts(record) and not used(record))
        figures = below.inventory.figures
        assert figures.liquid_temperature.quality is UNCERTAIN
        assert text(figures.liquid_temperature).startswith("the last Good average stands in")
        assert "no submerged element can be used" in text(figures.liquid_temperature)
        assert figures.gsv.quality is figures.mass.quality is UNCERTAIN
        assert None not in (figures.level.value, figures.tov.value)
        story.simulator.tank("TK-101").set_flow(300.0)
        await story.until(
            "TK-101", lambda record: record.inventory.figures.gsv.quality is GOOD and used(record) == [1.0]
        )
        averages = {record.inventory.figures.liquid_temperature.value for record in story.records} - {None}
        assert averages == {14.1}, "what the lowest element says, now or when it was last wet"
        assert "instrument_failed" not in story.alarms("TK-101", active=False)


def _doubts(record: TankRecord) -> set[str]:
    return codes(record.inventory.figures.liquid_temperature)


@pytest.mark.parametrize(
    ("fault", "options", "says"),
    [
        (
            "open_element",
            {"element": 2},
            "TT-101.t2: the instrument sends 32767, its sign for a value that is not valid",
        ),
        ("offset", {"signal": "t2", "amount": 835.7}, "TT-101.t2: 850 degC is above 200 degC"),
    ],
)
async def test_story_2_an_element_that_is_open_is_left_out_named_and_told_once(
    tmp_path: Path, fault: str, options: dict[str, object], says: str
) -> None:
    """14.1, 14.3, 14.8 and 15.6 degC are wet: without the second the mean of the others is 14.833 degC."""
    async with played(["TK-101"], tmp_path, factor=180.0, period="20 s") as story:
        await story.until("TK-101", lambda record: record.inventory.figures.gsv.quality is GOOD)
        story.simulator.set_fault("TT-101", fault, **options)
        record = await story.until("TK-101", lambda record: used(record) == [1.0, 6.0, 8.5])
        figures = record.inventory.figures
        assert figures.liquid_temperature.value == pytest.approx((14.1 + 14.8 + 15.6) / 3)
        assert figures.liquid_temperature.quality is figures.gsv.quality is UNCERTAIN
        assert "TT-101.t2" in text(figures.gsv)
        alarm = await story.alarm("instrument_failed", "TK-101")
        assert alarm["alarm"]["phase"] == "unacknowledged"
        assert says in alarm["alarm"]["reason"]["text"]
        await story.enter(action="acknowledge", tank="TK-101", alarm="instrument_failed")
        await story.passes("TK-101", 180.0)
        assert story.alarms("TK-101")["instrument_failed"]["alarm"]["phase"] == "acknowledged"
        assert len(story.events(EventKind.ALARM_RAISED, "instrument_failed")) == 1
        assert story.alarms("TK-101").keys() == {"instrument_failed"}
        story.simulator.clear_fault("TT-101")
        await story.over("instrument_failed", "TK-101")
        await story.until("TK-101", lambda record: record.inventory.figures.gsv.quality is GOOD)


async def test_story_16_layers_of_a_heated_tank_are_shown_flagged_and_weighed_by_volume(tmp_path: Path) -> None:
    """64.8, 62.1, 58.0 and 52.3 degC at 1, 3.5, 6 and 8.5 m, and 48.0 degC at 11 m, wet from 11.3 m on. Borders half
    way between: slices of 2.25, 2.5, 2.5, 2.5 and 2.25 m of 12 m."""
    scenario = {"tanks": {"F-1": {"level": "12.000 m", "temperatures": "64.8 62.1 58.0 52.3 48.0 30.0 degC"}}}
    site = {"tanks": {"F-1": {"temperature": {"weighting": "slice_volume"}}}}
    async with played(["F-1"], tmp_path, factor=180.0, period="30 s", scenario=scenario, site=site) as story:
        record = await story.until("F-1", lambda record: record.inventory.figures.gsv.value)
        average, gsv = record.inventory.figures.liquid_temperature, record.inventory.figures.gsv
        weighed = 2.25 * 64.8 + 2.5 * (62.1 + 58.0 + 52.3) + 2.25 * 48.0
        assert average.value == pytest.approx(weighed / 12.0, abs=0.01)
        assert [each.value for each in record.inventory.elements] == pytest.approx([64.8, 62.1, 58.0, 52.3, 48.0, 30.0])
        assert used(record) == [1.0, 3.5, 6.0, 8.5, 11.0]
        assert average.quality is gsv.quality is UNCERTAIN
        assert codes(average) == {"temperature_unrepresentative"}
        assert "elements used differ by 16.8 degC" in text(average)
        mass = record.inventory.figures.mass
        assert "stratified" in codes(mass)
        assert "a sample of one layer may not stand for the others" in text(mass)
        assert record.inventory.figures.tov.quality is GOOD
        story.simulator.tank("F-1").set_temperatures([57.0, 57.0, 57.0, 57.0, 57.0, 40.0])
        mixed = await story.until("F-1", lambda record: record.inventory.figures.gsv.quality is GOOD)
        assert mixed.inventory.figures.liquid_temperature.value == pytest.approx(57.0)
        assert story.alarms("F-1", active=False) == {}
