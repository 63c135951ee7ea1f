"""A tank whose product is changed while it is watched: by the pipeline, at once."""

from dataclasses import replace
from pathlib import Path

import pytest

from gateway.calculation.methods.not_known import ProductDoubted, ProductNotKnown
from gateway.calculation.plan import HeadPlan, LimitPlan, ProductPlan
from gateway.errors import LimitError
from gateway.pipeline import Pipeline
from gateway.plan_body import plan_from
from gateway.plan_id import plan_text
from gateway.records import Quality
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmKind, AlarmPhase, Priority
from gateway.watch.alarms.commands import AlarmCommand, AlarmVerb
from gateway.watch.plan import AlarmPlan, CoursePlan, WatchPlan
from tests.settings.yard import tank
from tests.support.plans import straight_plan
from tests.test_pipeline import BINDING, HandClock, level_reading, temperature_readings

JET = ProductPlan("jet", ProductNotKnown("nobody knows it", 15.0))


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


def test_a_tank_that_holds_another_product_begins_anew_and_goes_on(clock: HandClock) -> None:
    """Its numbers go on, so do its alarms; what was last good of the other product is not good of this one."""
    told: list[TankRecord] = []
    alarm = AlarmPlan(AlarmKind.HIGH_HIGH, Priority.NOW, "it runs over", "stop", 900.0, None, 0.005, 0.0, 0.0)
    watch = WatchPlan("TK-1", CoursePlan(), None, (alarm,))
    plan = replace(straight_plan(), limits=LimitPlan(None, None, 5.0, None))
    pipeline = Pipeline("site", "b" * 32, [(plan, BINDING, 2.0)], told.append, clock, {}, {"TK-1": watch})
    pipeline.take(temperature_readings(clock))
    pipeline.take(level_reading(clock))
    assert told[-1].inventory.figures.gsv.quality is Quality.GOOD
    (before,) = pipeline.standings()["TK-1"]
    pipeline.act("TK-1", AlarmCommand(AlarmVerb.ACKNOWLEDGE, "high_high", "anna"))
    unknown = replace(plan, product=JET)
    bare = replace(BINDING, reference_density=None)
    pipeline.refit(unknown, bare, watch)
    figures = told[-1].inventory.figures
    assert told[-1].inventory.product == "jet"
    assert (figures.level.value, figures.level.quality, figures.tov.quality) == (6.0, Quality.GOOD, Quality.GOOD)
    for lost in (figures.gsv, figures.mass, figures.weight_in_air, figures.ctl, figures.observed_density):
        assert (lost.value, lost.quality) == (None, Quality.BAD)
    assert "nobody knows it" in figures.ctl.reasons[0].text
    assert "gsv" not in told[-1].inventory.last_good, "what was good was of another product"
    (after,) = pipeline.standings()["TK-1"]
    assert (after.name, after.phase, after.raised) == (before.name, AlarmPhase.ACKNOWLEDGED, before.raised)
    assert [event.kind for event in told[-1].events] == [], "nothing is raised anew"
    assert [record.identity.sequence for record in told] == [1, 2, 3]
    assert pipeline.plan_text("TK-1") is not None
    memory = pipeline.memories().tanks["TK-1"]
    pipeline.refit(unknown, bare, watch)
    assert pipeline.memories().tanks["TK-1"].plan == memory.plan
    clock.pass_s(2.0)
    pipeline.take(level_reading(clock, 6.001))
    assert told[-1].inventory.figures.level.value == 6.001, "its instruments feed it as ever"


def test_a_product_of_which_nothing_is_known_refuses_every_density_and_temperature() -> None:
    with pytest.raises(LimitError, match="of no use: nobody knows it"):
        JET.method.from_observed_density(800.0, 15.0, 0.0)
    for density in (None, 800.0):
        prepared = JET.method.from_reference_density(density)
        assert prepared.reference_density is None
        with pytest.raises(LimitError, match="of no use: nobody knows it"):
            prepared.at(15.0, 0.0)


def test_its_plan_is_read_back_from_its_text(tmp_path: Path) -> None:
    plan = replace(tank(tmp_path)[0].plan, product=JET)
    plan_id, text = plan_text(plan, BINDING, 2.0, {})
    assert plan_from(plan_id, text) == plan


def test_a_level_by_pressure_has_none_without_the_density_that_makes_it(clock: HandClock) -> None:
    """The pressure stays; what divides it by a density that nobody knows is Bad."""
    told: list[TankRecord] = []
    plan = replace(straight_plan(), product=JET, gauge=HeadPlan(0.3))
    binding = replace(BINDING, level=None, bottom_pressure=BINDING.level, reference_density=None)
    pipeline = Pipeline("site", "b" * 32, [(plan, binding, 2.0)], told.append, clock)
    pipeline.take(temperature_readings(clock))
    pipeline.take(level_reading(clock, 40_000.0))
    figures = told[-1].inventory.figures
    assert (figures.bottom_pressure.value, figures.bottom_pressure.quality) == (40_000.0, Quality.GOOD)
    for lost in (figures.level, figures.tov, figures.mass):
        assert (lost.value, lost.quality) == (None, Quality.BAD)


def test_of_a_product_that_is_doubted_all_is_as_by_its_method_and_uncertain(clock: HandClock) -> None:
    told: list[TankRecord] = []
    plan = straight_plan()
    doubted = replace(plan, product=replace(plan.product, method=ProductDoubted(plan.product.method, "who knows")))
    for each in (plan, doubted):
        pipeline = Pipeline("site", "b" * 32, [(each, BINDING, 2.0)], told.append, clock)
        pipeline.take(temperature_readings(clock))
        pipeline.take(level_reading(clock))
    sure, unsure = (record.inventory.figures for record in told)
    assert [each.value for each in unsure] == [each.value for each in sure]
    for name in ("level", "tov", "liquid_temperature", "reference_density"):
        assert getattr(unsure, name).quality is getattr(sure, name).quality
    for name in ("gsv", "mass", "weight_in_air", "ctl", "observed_density"):
        assert getattr(unsure, name).quality is Quality.UNCERTAIN
    assert sure.gsv.quality is sure.ctl.quality is Quality.GOOD
    assert unsure.ctl.reasons[0].text == "who knows"
    assert told[0].inventory.reference_temperature_c == told[1].inventory.reference_temperature_c
