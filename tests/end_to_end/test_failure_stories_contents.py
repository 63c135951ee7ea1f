"""Failure stories of what is in a tank, each played to its end: another product, liquid that seems lost as vapour, a
water draw, sun on closed valves. None of it is a regulatory leak-detection method."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from gateway.actions.held_product import held_from, histories
from gateway.keeping import kept_in
from gateway.ledger.plan import LedgerPlan
from gateway.records import Quality
from gateway.tank_record import EventKind, TankRecord
from gateway.tank_state import Motion
from tests.end_to_end.story import Story, codes, played, state, value

GOOD, UNCERTAIN = Quality.GOOD, Quality.UNCERTAIN

ARMED = {"watch": {"unscheduled": {"after": "10 min"}}}
"""A tank at rest for so long is compared with what was in it: 45 min unless a site says less."""


async def armed(story: Story, tank: str) -> TankRecord:
    """The tank once it has stood for that."""
    await story.until(tank, lambda record: state(record).motion is Motion.AT_REST)
    await story.passes(tank, 11 * 60.0)
    return await story.until(tank, lambda record: record.inventory.figures.mass.quality is GOOD)


async def test_story_6_gasoline_in_a_diesel_tank_is_told_by_its_weight(tmp_path: Path) -> None:
    """838 and 742 kg/m3 at 15 degC: 12.9 % of the mass. A transmitter at the bottom weighs the column; without one,
    nothing in the tank tells, and only a sample does."""
    transmitter = {
        "line": "bus-a",
        "unit": "5",
        "signals": {
            "pressure": {
                "tank": "TK-101",
                "quantity": "bottom_pressure",
                "nozzle": "0.500 m",
                "table": "input",
                "address": "0",
                "type": "float32",
                "step": "1 kPa",
            }
        },
    }
    gasoline = {"value": "742 kg/m3", "at": "15 degC", "expansion": "0.001221 1/K"}
    scenario = {"instruments": {"PT-101": transmitter}, "tanks": {"TK-101": {"density": gasoline}}}
    product = {
        "method": "expansion_coefficient",
        "expansion": "0.001221 /degC",
        "reference_temperature": "15 degC",
        "reference_density": {"value": "742.0 kg/m3", "entered": "2026-11-25T06:00Z", "expires": "31 d"},
    }
    weighed = {"instrument": "PT-101", "signal": "pressure", "nozzle_height": "0.500 m", "in_use": "no"}
    site = {
        "products": {"gasoline": product},
        "instruments": {"PT-101": {"line": "bus-a", "unit": "5", "period": "10 s", "map": "pressure_float32"}},
        "tanks": {"TK-101": {"measured_density": weighed}},
    }
    keep = kept_in(tmp_path, "demo", LedgerPlan(file=tmp_path / "ledger", commit_s=0.05))
    async with played(
        ["TK-101"], tmp_path, factor=180.0, period="30 s", scenario=scenario, site=site, keep=keep
    ) as story:
        alarm = await story.alarm("density_doubtful", "TK-101")
        words = alarm["alarm"]["reason"]["text"]
        assert words.startswith("measured density is -95.9 kg/m3 from the entered one")
        assert "another product" in words
        assert "see whether the tank still holds this product" in alarm["action"]
        wrong = await story.until("TK-101", lambda record: "densities_disagree" in codes(record.inventory.figures.mass))
        true_kg = story.simulator.tank("TK-101").mass_kg
        assert wrong.inventory.figures.mass.value == pytest.approx(1.1297 * true_kg, rel=1e-3)
        assert wrong.inventory.figures.mass.quality is wrong.inventory.figures.gsv.quality is UNCERTAIN
        assert wrong.inventory.figures.level.quality is wrong.inventory.figures.tov.quality is GOOD
        sample = {"action": "density", "tank": "TK-101", "value": "742 kg/m3"}
        refused = await story.gateway.acting.act(sample, "night shift")
        assert refused["code"] != 0, "a density that no diesel has is refused, and the product named"
        assert "outside that of diesel, 820 to 860 kg/m3; see to the value, or to the product" in refused["lines"][0]
        text = story.file.read_text(encoding="utf-8")
        story.file.write_text(text.replace("product: diesel", "product: gasoline"), encoding="utf-8")
        await story.take_over()
        (told,) = story.gateway.acting.remarks()
        assert "the site file says gasoline; since" in told
        assert "the tank holds diesel, by the site file as it was then" in told, "no edit makes another product of it"
        await story.enter(action="product-change", tank="TK-101", product="gasoline", why="discharged by mistake")
        assert story.gateway.acting.remarks() == (), "the two agree"
        right = await story.until("TK-101", lambda record: record.inventory.figures.mass.quality is GOOD)
        assert right.inventory.figures.mass.value == pytest.approx(true_kg, rel=1e-3)
        assert (wrong.inventory.product, right.inventory.product) == ("diesel", "gasoline")
        assert right.identity.sequence > wrong.identity.sequence
        assert right.plan != wrong.plan
        await story.over("density_doubtful", "TK-101")
        await story.begin_anew()
        again = await story.until("TK-101", lambda record: record.identity.boot != right.identity.boot)
        assert again.inventory.product == "gasoline", "the ledger has it"
    with closing(sqlite3.connect(f"file:{tmp_path}/ledger?mode=ro", uri=True)) as connection:
        bodies = [body for (body,) in connection.execute("SELECT body FROM papers WHERE kind = 'product'")]
    history = histories(map(held_from, bodies))["TK-101"]
    assert [(each.product, each.by, each.why) for each in history] == [
        ("diesel", "", ""),
        ("gasoline", "night shift", "discharged by mistake"),
    ]


async def test_story_15_lpg_that_cools_is_not_lost(tmp_path: Path) -> None:
    """40 t of liquid and 0.8 t of vapour; the elements at 1.7 and 2.4 m are in the vapour."""
    async with played(["B-2"], tmp_path, factor=480.0, period="20 s", site=ARMED) as story:
        before = (await armed(story, "B-2")).inventory.figures
        story.simulator.tank("B-2").heating_w = -200e3
        cooled = await story.until("B-2", lambda record: state(record).activity == "thermal")
        figures = cooled.inventory.figures
        assert value(figures.level) < value(before.level) - 0.004
        assert value(figures.vapour_mass) > 700.0
        assert figures.total_mass.value == pytest.approx(before.total_mass.value, rel=5e-4)
        assert figures.total_mass.quality is figures.level.quality is GOOD
        assert [each.height_m for each in cooled.inventory.elements if each.used] == [0.3, 1.0]
        story.simulator.tank("B-2").heating_w = 200e3
        await story.until("B-2", lambda record: state(record).activity == "")
        assert story.alarms("B-2", active=False) == {}


async def test_story_17_a_water_draw_is_one_and_no_loss(tmp_path: Path) -> None:
    """80 mm of water down to 60 mm, 5.1 m3 on 254.5 m2: TOV falls by that, and what is above the water by nothing."""
    movement = {"tank": "TK-101", "of": "water", "at": "20 min", "flow": "-20 m3/h", "until_level": "60 mm"}
    scenario = {"tanks": {"TK-101": {"water": "80 mm"}}, "movements": [movement]}
    async with played(["TK-101"], tmp_path, factor=480.0, period="20 s", scenario=scenario, site=ARMED) as story:
        before = (await armed(story, "TK-101")).inventory.figures
        await story.until("TK-101", lambda record: state(record).activity == "water_draw")
        drawn = await story.until(
            "TK-101", lambda each: each.inventory.figures.water_level.value == pytest.approx(0.06)
        )
        after = drawn.inventory.figures
        assert value(after.tov) - value(before.tov) == pytest.approx(-5.09, abs=0.3)
        assert value(after.free_water) - value(before.free_water) == pytest.approx(-5.09, abs=0.05)
        assert after.gov.value == pytest.approx(before.gov.value, abs=0.3), "a step of the probe is 1 mm, 0.25 m3"
        assert after.gsv.quality is after.tov.quality is GOOD
        assert state(drawn).activity == "water_draw"
        await story.until("TK-101", lambda record: state(record).activity == "")
        assert story.alarms("TK-101", active=False) == {}


async def test_story_18_sun_on_closed_valves_is_thermal_and_what_is_left_over_is_told(tmp_path: Path) -> None:
    """15 mm of 9.4 m are 1.9 degC. The night takes them back; then 3 m3/h pass a valve, 5 mm in 25 min."""
    async with played(["TK-101"], tmp_path, factor=900.0, period="30 s", site=ARMED) as story:
        tank = story.simulator.tank("TK-101")
        morning = (await armed(story, "TK-101")).inventory.figures
        tank.heating_w = 3e6
        high_m = value(morning.level) + 0.015
        evening = await story.until("TK-101", lambda record: (record.inventory.figures.level.value or 0.0) >= high_m)
        assert state(evening).activity == "thermal"
        assert evening.inventory.figures.gsv.value == pytest.approx(morning.gsv.value, abs=0.5)
        tank.heating_w = -3e6
        low_m = value(morning.level) + 0.001
        await story.until("TK-101", lambda record: (record.inventory.figures.level.value or 99.0) <= low_m)
        tank.heating_w = 0.0
        assert not story.events(EventKind.ALARM_RAISED), "neither for the day nor for the night"
        await story.passes("TK-101", 300.0)
        tank.set_flow(-3.0)
        alarm = await story.alarm("unscheduled_movement", "TK-101")
        words = alarm["alarm"]["reason"]["text"]
        assert "with no movement announced" in words
        assert "of level that temperature does not explain" in words
        assert "no leak detection" in alarm["action"]
        tank.set_flow(0.0)
        await story.over("unscheduled_movement", "TK-101")
