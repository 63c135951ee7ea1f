"""The conditions of random sites: whatever tanks they have and instruments say, each kind is judged, and in words."""

import math
from collections.abc import Mapping
from pathlib import Path

from gateway.binding import bind
from gateway.calculation.inventory import calculate, failed
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import GaugeKind, GaugePlan, TankPlan
from gateway.records import Input, Inventory, Quality, TankInput
from gateway.settings.tanks.plans import TankSetup
from gateway.settings.watch.defaults import TANK_KINDS
from gateway.tank_state import AlarmKind
from gateway.watch.alarms.condition import Condition
from gateway.watch.conditions import conditions
from gateway.watch.plan import WatchPlan
from tests.site_fuzz.through_gateway import load, readings_of
from tests.site_fuzz.world.draw_site import Seen, draw_site
from tests.support.units_in_messages import bare_in_text
from tests.watch.conditions_yard import alarm, course

SITES, SHEETS = range(2_000_000, 2_000_012), 6
LIMITS = {
    AlarmKind.FILL_HIGH: 0.5,
    AlarmKind.TEMPERATURE_HIGH: 20.0,
    AlarmKind.TEMPERATURE_LOW: 20.0,
    AlarmKind.PRESSURE_HIGH: 1e4,
    AlarmKind.PRESSURE_LOW: 1e4,
    AlarmKind.WATER_HIGH: 0.01,
    AlarmKind.HIGH_HIGH_SOON: 900.0,
}
EVERY = WatchPlan("any", alarms=tuple(alarm(kind, limit=LIMITS.get(kind)) for kind in TANK_KINDS))
GROWTH_M = 0.02
"""More than a warm shell lifts the point that ullage counts from."""


def _sheets(setup: TankSetup, seen: Seen) -> list[tuple[TankInput, Inventory]]:
    memory, found = EMPTY_MEMORY, []
    for moment in seen.moments:
        now_ns, steady_ns, latest = readings_of(setup, moment.shown)
        given = bind(setup.binding, latest, now_ns, steady_ns)
        before = memory if moment.follows else EMPTY_MEMORY
        sheet, memory = calculate(setup.plan, given, before)
        found += [(given, sheet), (given, failed(setup.plan, given, before, "boom"))]
    return found


def _level_m(plan: TankPlan, gauge: object, given: Input | None) -> float | None:
    """By hand, where a liquid can stand there."""
    if not isinstance(gauge, GaugePlan) or given is None or given.quality is Quality.BAD or given.value is None:
        return None
    is_innage = gauge.kind is GaugeKind.INNAGE
    level_m = (given.value if is_innage else plan.reference_height_m - given.value) + gauge.offset_m
    return level_m if 0.0 <= level_m <= plan.reference_height_m - GROWTH_M else None


def test_each_is_judged_and_told_and_no_high_is_hidden(tmp_path: Path) -> None:
    told: set[str] = set()
    highs = 0
    for seed in SITES:
        site = draw_site(seed, SHEETS)
        place = tmp_path / str(seed)
        place.mkdir()
        setups = load(site, place)
        for seen in site.tanks:
            setup = setups[seen.tank.tag]
            for given, sheet in _sheets(setup, seen):
                found = conditions(EVERY, setup.plan, given, sheet, course(0.01), None)
                own = conditions(setup.watch, setup.plan, given, sheet, course(), None)
                assert tuple(found) == TANK_KINDS
                assert set(own) == {each.kind for each in setup.watch.alarms}
                for condition in found.values():
                    assert not (condition.active and condition.inside)
                    if condition.active:
                        assert condition.reason is not None
                        told.add(condition.reason.text)
                highs += _highs(setup.plan, given, found)
    assert highs > 20, "too few tanks stood above a limit to say anything"
    assert {text: numbers for text in told if (numbers := bare_in_text(text))} == {}


def _highs(plan: TankPlan, given: TankInput, found: Mapping[AlarmKind, Condition]) -> int:
    """How many limits are passed for certain; each of them must be active."""
    shown = (_level_m(plan, plan.gauge, given.level), _level_m(plan, plan.second_gauge, given.second_level))
    highest_m = max([each for each in shown if each is not None], default=-math.inf)
    limits = plan.limits
    passed = [
        kind
        for kind, limit_m in (
            (AlarmKind.MAXIMUM_WORKING, limits.maximum_working_m),
            (AlarmKind.HIGH_HIGH, limits.high_high_m),
            (AlarmKind.CRITICAL_HIGH, limits.critical_high_m),
        )
        if limit_m is not None and highest_m >= limit_m + GROWTH_M
    ]
    for kind in passed:
        assert found[kind].active is True
    return len(passed)
