"""Failure stories of a level, each played to its end: a false echo, ullage taken for innage, the end of a table, a roof
that lands, a gauge that is stuck."""

import re
from pathlib import Path

import pytest

from gateway.records import Quality
from gateway.tank_record import EventKind, TankRecord
from gateway.tank_state import Motion
from tests.end_to_end.story import codes, played, state, text, value

GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD

METER = {
    "FT-101": {
        "line": "bus-a",
        "unit": "4",
        "signals": {
            "flow": {
                "tank": "TK-101",
                "quantity": "flow",
                "table": "input",
                "address": "0",
                "type": "float32",
                "step": "1 m3/h",
            }
        },
    }
}
METERED_TANK = {"flows": [{"instrument": "FT-101", "signal": "flow", "direction": "in"}]}
METERED = {
    "instruments": {"FT-101": {"line": "bus-a", "unit": "4", "period": "10 s", "map": "flow_float32"}},
    "tanks": {"TK-101": METERED_TANK},
}
"""A flow meter in the line into TK-101."""


def level(record: TankRecord) -> Quality:
    return record.inventory.figures.level.quality


def motion(record: TankRecord) -> Motion:
    return state(record).motion


async def test_story_3_foam_that_is_taken_for_the_surface_books_no_movement(tmp_path: Path) -> None:
    """A jump of 0.6 m, where the second gauge stays where it was. 200 m3/h in at most, and 158 m3 would have come."""
    async with played(["D-1"], tmp_path, factor=360.0, period="30 s") as story:
        rest = await story.until("D-1", lambda record: motion(record) is Motion.AT_REST)
        true_m = value(rest.inventory.figures.level)
        assert true_m == pytest.approx(9.6345, abs=0.001)
        story.simulator.set_fault("LT-D1A", "offset", signal="innage", amount=0.6)
        await story.until("D-1", lambda record: "rate_implausible" in codes(record.inventory.figures.level))
        alarm = await story.alarm("gauges_disagree", "D-1")
        assert "LT-D1A.innage and LT-D1B.ullage have differed by over 10 mm" in alarm["alarm"]["reason"]["text"]
        assert "+594 mm" in alarm["alarm"]["reason"]["text"], "the two differ by -6 mm without foam"
        foamed = story.records[-1].inventory.figures
        assert foamed.level.value == pytest.approx(true_m + 0.6, abs=0.001), "what the gauge says is shown as it is"
        assert foamed.level.quality is foamed.gsv.quality is UNCERTAIN
        assert {"rate_implausible", "gauges_disagree"} <= codes(foamed.level)
        story.simulator.clear_fault("LT-D1A")
        await story.over("gauges_disagree", "D-1")
        await story.until("D-1", lambda record: level(record) is GOOD and motion(record) is Motion.AT_REST)
        assert not story.events(EventKind.MOVEMENT_BEGAN)
        shown = [record.inventory.figures.level for record in story.records]
        assert all(figure.quality is UNCERTAIN for figure in shown if (figure.value or 0.0) > true_m + 0.1)
        raised = {event.subject for event in story.events(EventKind.ALARM_RAISED)}
        assert raised == {"gauges_disagree"}


async def test_story_7_ullage_read_as_innage_is_told_by_the_first_fill(tmp_path: Path) -> None:
    """The reference height is 15.240 m: 9.412 m of innage reads as 5.828 m. 200 m3/h on 254.5 m2 is 65 mm in 5 min."""
    of_tank = {**METERED_TANK, "level": {"measures": "innage"}}
    site = {**METERED, "tanks": {"TK-101": of_tank}}
    async with played(
        ["TK-101"], tmp_path, factor=360.0, period="30 s", scenario={"instruments": METER}, site=site
    ) as story:
        rest = await story.until("TK-101", lambda record: motion(record) is Motion.AT_REST)
        assert rest.inventory.figures.level.value == pytest.approx(5.828), "at rest nothing gives it away"
        story.simulator.tank("TK-101").set_flow(200.0)
        alarm = await story.alarm("wrong_way", "TK-101")
        assert alarm["alarm"]["priority"] == "soon"
        words = alarm["alarm"]["reason"]["text"]
        # A busy machine polls late, at 360 times the pace: it is told at the first poll behind the 5 min.
        assert re.match(r"level moves against the flow: by FT-101\.flow liquid flowed in for ([5-9]|1\d) min", words)
        assert "see whether ullage and innage are the right way round" in words
        assert "dip" in words
        record = await story.until("TK-101", lambda record: level(record) is UNCERTAIN)
        assert record.inventory.figures.gsv.quality is UNCERTAIN
        assert not state(record).times, "nobody is told when it will be empty"
        file = tmp_path / "site.yaml"
        file.write_text(
            file.read_text(encoding="utf-8").replace("measures: innage", "measures: ullage"), encoding="utf-8"
        )
        await story.take_over()
        mended = await story.until("TK-101", lambda record: level(record) is GOOD and motion(record) is Motion.FILLING)
        assert mended.inventory.figures.level.value == pytest.approx(story.simulator.tank("TK-101").level_m, abs=0.2)
        await story.over("wrong_way", "TK-101")


TABLE = """# name: TK-101, invented for this test
# level: m
# volume: m3
# datum: datum plate
# date: 2026-01-15
# reference temperature: 15 degC
# liquid head: not included
# roof: not included
# heel: 0 m3, included
level,volume
"""


async def test_story_9_above_the_end_of_the_table_there_is_no_volume_and_the_level_goes_on(tmp_path: Path) -> None:
    """The table ends at 13.200 m. What limits stand beyond it is refused by `check`: tests/invalid_site_files."""
    rows = "".join(f"{1.1 * step:.3f},{1.1 * step * 254.469:.3f}\n" for step in range(13))
    (tmp_path / "tk-101.csv").write_text(TABLE + rows, encoding="utf-8")
    limits = {"maximum_working": "12.500 m", "high_high": "12.850 m", "critical_high": "13.200 m"}
    of_tank = {"shape": None, "capacity_table": "tk-101.csv", "level": {"datum": "datum plate"}, "limits": limits}
    scenario = {"tanks": {"TK-101": {"level": "13.150 m"}}}
    async with played(
        ["TK-101"], tmp_path, factor=360.0, period="30 s", scenario=scenario, site={"tanks": {"TK-101": of_tank}}
    ) as story:
        await story.until("TK-101", lambda record: record.inventory.figures.tov.quality is GOOD)
        await story.alarm("high_high", "TK-101")
        story.simulator.tank("TK-101").set_flow(380.0)
        above = await story.until("TK-101", lambda record: record.inventory.figures.tov.quality is BAD)
        figures = above.inventory.figures
        assert figures.level.quality is GOOD
        assert (figures.level.value or 0.0) > 13.2
        for figure in (figures.tov, figures.gsv, figures.mass, figures.room):
            assert figure.value is None
            assert "outside_table" in codes(figure), text(figure)
        assert "is above the highest level with a known volume, 13.2 m" in text(figures.tov)
        alarm = await story.alarm("critical_high", "TK-101")
        assert "has reached critical high, 13.200 m" in alarm["alarm"]["reason"]["text"]
        story.simulator.tank("TK-101").set_flow(-290.0)
        await story.over("critical_high", "TK-101")
        back = await story.until("TK-101", lambda record: record.inventory.figures.gsv.quality is GOOD)
        assert back.inventory.figures.tov.value == pytest.approx(
            254.469 * value(back.inventory.figures.level), rel=1e-4
        )


async def test_story_14_a_roof_that_comes_down_on_its_legs_is_told_before_and_when(tmp_path: Path) -> None:
    """It rests below 1.600 m and floats above 2.000 m; the tank stands below its minimum, 2.200 m, all the time."""
    site = {"tanks": {"TK-204": {"maximum_flow_in": "4000 m3/h", "maximum_flow_out": "4000 m3/h"}}}
    scenario = {"tanks": {"TK-204": {"level": "2.050 m"}}}
    async with played(["TK-204"], tmp_path, factor=240.0, period="30 s", scenario=scenario, site=site) as story:
        await story.until("TK-204", lambda record: record.inventory.figures.gsv.quality is GOOD)
        story.simulator.tank("TK-204").set_flow(-2500.0)
        critical = await story.alarm("roof_critical", "TK-204")
        assert critical["alarm"]["reason"]["text"].endswith("quantities are uncertain, gauge no transfer here")
        doubted = await story.until(
            "TK-204", lambda record: "roof_critical_zone" in codes(record.inventory.figures.gsv)
        )
        assert doubted.inventory.figures.mass.quality is UNCERTAIN
        landed = await story.alarm("roof_landed", "TK-204")
        assert landed["alarm"]["priority"] == "soon"
        assert "vapour hazard, follow the site's procedure" in landed["alarm"]["reason"]["text"]
        assert "Stop what is drawn off" in landed["action"]
        await story.over("roof_critical", "TK-204")
        story.simulator.tank("TK-204").set_flow(2500.0)
        await story.over("roof_landed", "TK-204")
        await story.alarm("roof_critical", "TK-204")
        await story.over("roof_critical", "TK-204")
        assert story.alarms("TK-204", active=False)["roof_landed"]["alarm"]["phase"] == "returned"


async def test_story_19_a_level_that_stands_still_while_liquid_flows_gives_no_time_to_fill(tmp_path: Path) -> None:
    """300 m3/h on 254.5 m2: 98 mm are due in 5 min."""
    async with played(
        ["TK-101"], tmp_path, factor=360.0, period="30 s", scenario={"instruments": METER}, site=METERED
    ) as story:
        await story.settled("TK-101")
        story.simulator.tank("TK-101").set_flow(300.0)
        await story.until("TK-101", lambda record: motion(record) is Motion.FILLING and state(record).times)
        story.simulator.set_fault("LT-101", "frozen")
        alarm = await story.alarm("level_frozen", "TK-101")
        words = alarm["alarm"]["reason"]["text"]
        # Polled each half minute, a poll or two after the fifth.
        assert re.match(r"level stands still: by FT-101\.flow liquid has flowed in for ([5-9]|1\d) min", words)
        assert words.endswith("the gauge is stuck or nothing flows: dip")
        assert alarm["action"].startswith("Do not go by the level.")
        stuck = await story.until("TK-101", lambda record: "level_frozen" in codes(record.inventory.figures.level))
        assert stuck.inventory.figures.gsv.quality is UNCERTAIN
        assert state(stuck).times == ()
        assert state(stuck).rate.value is None
        assert "level_frozen" in codes(state(stuck).rate)
        story.simulator.clear_fault("LT-101")
        await story.until("TK-101", lambda record: level(record) is GOOD and state(record).times)
        await story.over("level_frozen", "TK-101")
