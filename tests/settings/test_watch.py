"""The watch of a tank from the site file: its alarms, what they say, and whether there is time to act."""

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gateway.resources import config_path
from gateway.settings import SiteSettings, TankSetup, load_site
from gateway.settings.watch.defaults import DEFAULTS, GATEWAY_KINDS, NEVER_DELAYED, TANK_KINDS
from gateway.settings.watch.models import SiteAlarmsModel, TankAlarmsModel
from gateway.tank_state import AlarmKind, Priority
from gateway.watch.conditions import conditions
from gateway.watch.plan import AlarmPlan, CoursePlan, LossPlan, UnscheduledPlan, WatchPlan
from tests.support.plans import sheet, straight_input, straight_plan
from tests.watch.conditions_yard import alarm, course

PARTS = Path(__file__).parent.parent / "invalid_site_files" / "parts"
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
LIMITS = "limits: {minimum: 0.9 m, maximum_working: 13.2 m, high_high: 13.55 m, critical_high: 13.95 m}"
FLOWS = "maximum_flow_in: 400 m3/h\n    maximum_flow_out: 300 m3/h"
TANK = f"""tanks:
  TK-1:
    product: diesel
    shape: {{kind: upright_cylinder, diameter: 18.000 m, height: 14.600 m}}
    reference_height: 15.240 m
    level: {{instrument: G-1, signal: innage, measures: innage}}
    free_water: none
    {LIMITS}
    {FLOWS}
"""


def _load(folder: Path, text: str) -> SiteSettings:
    site = folder / "site.yaml"
    site.write_text(f"include_from: {PARTS}\ninclude: {PARTS}/yard.yaml\n{text}", encoding="utf-8")
    return load_site(site, now=NOW)


def _tank(folder: Path, text: str) -> TankSetup:
    return _load(folder, text).tanks[0]


def _by_kind(tank: TankSetup) -> dict[AlarmKind, AlarmPlan]:
    assert len({each.kind for each in tank.watch.alarms}) == len(tank.watch.alarms)
    return {each.kind: each for each in tank.watch.alarms}


def test_a_tank_has_alarms_from_what_it_has(tmp_path: Path) -> None:
    tank = _tank(tmp_path, TANK)
    assert [each.kind.value for each in tank.watch.alarms] == [
        "critical_high",
        "high_high",
        "maximum_working",
        "minimum",
        "high_high_soon",
        "filling_too_fast",
        "emptying_too_fast",
        "density_doubtful",
        "level_lost",
        "instrument_failed",
        "data_stale",
        "level_frozen",
        "unscheduled_movement",
        "wrong_way",
        "slow_loss",
    ]
    assert tank.watch.tank == "TK-1"
    assert tank.watch.course == CoursePlan()
    assert tank.watch.loss == LossPlan()
    for each in tank.watch.alarms:
        usual = DEFAULTS[each.kind]
        assert (each.priority, each.consequence, each.action) == (usual.priority, usual.consequence, usual.action)
        assert (each.response_s, each.on_delay_s) == (usual.response_s, usual.on_delay_s)


def test_a_tank_with_more_has_more_and_one_without_a_gauge_has_less(tmp_path: Path) -> None:
    more = TANK + "    second_level: {instrument: G-2, signal: innage, measures: innage}\n"
    more += "    roof: {mass: 4000 kg, critical_low: 0.3 m, critical_high: 0.6 m}\n"
    kinds = set(_by_kind(_tank(tmp_path, more)))
    assert kinds >= {AlarmKind.GAUGES_DISAGREE, AlarmKind.ROOF_LANDED, AlarmKind.ROOF_CRITICAL}
    bare = TANK.replace("    level: {instrument: G-1, signal: innage, measures: innage}\n", "")
    bare += "    manual: {level: {value: 5 m, entered: 2026-11-25T06:00Z, expires: 24 h}}\n"
    dipped = _tank(tmp_path, bare)
    assert {each.value for each in _by_kind(dipped)} == {
        "critical_high",
        "high_high",
        "maximum_working",
        "minimum",
        "density_doubtful",
        "level_lost",
    }
    assert dipped.watch.loss is None
    assert dipped.watch.course.unscheduled is None


def test_the_deadband_of_a_level_is_two_steps_of_the_coarser_gauge(tmp_path: Path) -> None:
    assert _by_kind(_tank(tmp_path, TANK))[AlarmKind.HIGH_HIGH].deadband == 0.005
    coarse = TANK + "    second_level: {instrument: G-2, signal: innage, measures: innage, resolution: 6 mm}\n"
    assert _by_kind(_tank(tmp_path, coarse))[AlarmKind.HIGH_HIGH].deadband == pytest.approx(0.012)


def test_what_the_tank_says_goes_before_the_site_and_that_before_the_program(tmp_path: Path) -> None:
    site = """watch:
  window: 10 min
  unscheduled: {after: 1 h, deviation: 8 mm}
  loss: {false_alarms_per_year: 2}
  alarms:
    high_high: {response: 20 min, action: Stop it., deadband: 10 mm, off_delay: 5 s}
    minimum: none
    data_stale: none
    level_lost: {priority: now}
"""
    own = """    watch:
      moving: 8 m3/h
      unscheduled: {deviation: 4 mm}
      loss: none
      alarms:
        high_high: {action: Stop it and tell the jetty.}
        data_stale: {on_delay: 0 s}
        wrong_way: none
"""
    tank = _tank(tmp_path, site + TANK + own)
    found = _by_kind(tank)
    high = found[AlarmKind.HIGH_HIGH]
    assert (high.action, high.response_s, high.deadband, high.off_delay_s) == (
        "Stop it and tell the jetty.",
        1200.0,
        0.010,
        5.0,
    )
    assert high.consequence == DEFAULTS[AlarmKind.HIGH_HIGH].consequence
    assert found[AlarmKind.HIGH_HIGH_SOON].limit == 1200.0
    assert found[AlarmKind.LEVEL_LOST].priority is Priority.NOW
    assert found[AlarmKind.DATA_STALE].on_delay_s == 0.0
    assert not {AlarmKind.MINIMUM, AlarmKind.WRONG_WAY, AlarmKind.SLOW_LOSS} & set(found)
    assert tank.watch.loss is None
    assert tank.watch.course == CoursePlan(600.0, 8.0 / 3600.0, UnscheduledPlan(3600.0, 0.004))


def test_nothing_unscheduled_is_looked_for_where_it_is_left_out(tmp_path: Path) -> None:
    tank = _tank(tmp_path, "watch: {unscheduled: none}\n" + TANK)
    assert tank.watch.course.unscheduled is None
    assert AlarmKind.UNSCHEDULED_MOVEMENT not in _by_kind(tank)


def test_limits_of_what_has_none_by_itself(tmp_path: Path) -> None:
    site = "watch: {alarms: {temperature_low: {limit: 18 degC}, fill_high: {limit: 95 %}, "
    site += "pressure_high: {limit: 5 kPa}}}\n"
    own = "    temperature: {instrument: G-1, elements: [{signal: t1, height: 1 m}]}\n"
    own += "    watch: {alarms: {temperature_low: {deadband: 2 degC}}}\n"
    found = _by_kind(_tank(tmp_path, site + TANK + own))
    cold = found[AlarmKind.TEMPERATURE_LOW]
    assert (cold.limit, cold.deadband) == (18.0, 2.0)
    assert found[AlarmKind.FILL_HIGH].limit == 0.95
    assert AlarmKind.PRESSURE_HIGH not in found, "no pressure is measured"
    assert AlarmKind.TEMPERATURE_HIGH not in found, "no limit is given"


def test_a_flow_too_fast_returns_a_twentieth_of_it_below(tmp_path: Path) -> None:
    found = _by_kind(_tank(tmp_path, TANK))
    assert found[AlarmKind.FILLING_TOO_FAST].deadband == pytest.approx(0.05 * 400.0 / 3600.0)
    assert found[AlarmKind.EMPTYING_TOO_FAST].deadband == pytest.approx(0.05 * 300.0 / 3600.0)


# 18 m across are 254.469 m2. From 13.55 m to 13.95 m 101.788 m3 fit, at 400 m3/h 15 min 16 s; from 13.2 m to 13.55 m
# 89.064 m3, 13 min 22 s.
def test_there_is_time_to_act(tmp_path: Path) -> None:
    loaded = _load(tmp_path, TANK)
    assert loaded.warnings == ()
    assert loaded.tanks[0].remarks == ()


@pytest.mark.parametrize(("flow", "warned"), [("407 m3/h", False), ("408 m3/h", True)])
def test_less_than_15_min_at_the_greatest_flow_in_is_warned_of(tmp_path: Path, flow: str, warned: bool) -> None:
    """101.788 m3 in 15 min are 407.15 m3/h; half a second is forgiven."""
    loaded = _load(tmp_path, TANK.replace("400 m3/h", flow))
    if warned:
        place, _, text = loaded.warnings[0].partition(": tanks.TK-1.limits.high_high: ")
        assert place.endswith("site.yaml:10")
        assert text == (
            "13.55 m is 14.9 min below critical_high, 13.95 m, at maximum_flow_in, and the response takes 15 min; "
            "lower it"
        )
    else:
        assert loaded.warnings == ()


@pytest.mark.parametrize(("high_high", "warned"), [("13.557 m", False), ("13.558 m", True)])
def test_room_for_what_flows_in_until_it_is_stopped(tmp_path: Path, high_high: str, warned: bool) -> None:
    """The relation as New Hampshire's Env-Or 302.04 has it for a safe fill height: the capacity less the greatest fill
    rate times the time to stop. 15 min at 400 m3/h are 100 m3, over 254.469 m2 0.39298 m below critical high, 13.95 m.
    """
    loaded = _load(tmp_path, TANK.replace("high_high: 13.55 m", f"high_high: {high_high}"))
    assert any("limits.high_high" in each for each in loaded.warnings) is warned


def test_maximum_working_has_its_own_response(tmp_path: Path) -> None:
    """89.064 m3 at 400 m3/h are 13.4 min."""
    alarms = "watch: {alarms: {maximum_working: {response: 14 min}}}\n"
    (warning,) = _load(tmp_path, alarms + TANK).warnings
    assert warning.endswith(
        "limits.maximum_working: 13.2 m is 13.3 min below high_high, 13.55 m, at maximum_flow_in, and the response "
        "takes 14 min; lower it"
    )


def test_a_short_response_needs_a_reason_where_it_is_given(tmp_path: Path) -> None:
    short = "watch: {alarms: {high_high: {response: 10 min}}}\n"
    (warning,) = _load(tmp_path, short + TANK).warnings
    assert "watch.alarms.high_high.response: 10 min is less than 15 min" in warning
    assert "response_reason" in warning
    reasoned = "watch: {alarms: {high_high: {response: 10 min, response_reason: manned}}}\n"
    assert _load(tmp_path, reasoned + TANK).warnings == ()
    own = "    watch: {alarms: {high_high: {response: 9 min}}}\n"
    (of_tank,) = _load(tmp_path, TANK + own).warnings
    assert "tanks.TK-1.watch.alarms.high_high.response: 9 min" in of_tank
    assert _load(tmp_path, reasoned + TANK + own).warnings == ()
    exactly = "watch: {alarms: {high_high: {response: 15 min}}}\n"
    assert _load(tmp_path, exactly + TANK).warnings == ()


def test_a_reason_allows_less_room(tmp_path: Path) -> None:
    """At 600 m3/h high-high is 10.2 min below critical high, and maximum working 8.9 min below high-high."""
    text = TANK.replace("400 m3/h", "600 m3/h")
    assert len(_load(tmp_path, text).warnings) == 2
    reasoned = "watch: {alarms: {high_high: {response: 10 min, response_reason: manned}, "
    reasoned += "maximum_working: {response: 8 min}}}\n"
    assert _load(tmp_path, reasoned + text).warnings == ()


def test_without_a_greatest_flow_it_is_said_that_it_cannot_be_checked(tmp_path: Path) -> None:
    tank = _tank(tmp_path, TANK.replace(f"    {FLOWS}\n", ""))
    assert tank.remarks == (
        "tanks.TK-1.limits.high_high: 13.55 m cannot be checked for time to act without maximum_flow_in",
        "tanks.TK-1.limits.maximum_working: 13.2 m cannot be checked for time to act without maximum_flow_in",
    )


def test_limits_as_parts_of_the_capacity_are_told_as_levels(tmp_path: Path) -> None:
    """85 % less 83 % of 3,715 m3 are 74.3 m3: 11.1 min at 400 m3/h."""
    shares = "limits: {maximum_working: 78 %, high_high: 83 %, critical_high: 85 %}"
    (warning,) = _load(tmp_path, TANK.replace(LIMITS, shares)).warnings
    assert "83 % (12.118 m) is 11.1 min below critical_high, 85 % (12.410 m)" in warning


def test_without_a_critical_high_the_overflow_is_what_must_not_be_reached(tmp_path: Path) -> None:
    """0.35 m of 254.469 m2 are 89.064 m3: 13.4 min at 400 m3/h."""
    text = TANK.replace("high_high: 13.55 m, critical_high: 13.95 m", "high_high: 13.55 m, overflow: 13.9 m")
    (warning,) = _load(tmp_path, text).warnings
    assert "13.55 m is 13.3 min below the overflow, 13.900 m, at maximum_flow_in" in warning
    none = TANK.replace(", critical_high: 13.95 m", "")
    assert _load(tmp_path, none).warnings == ()


MAPS = """maps:
  short:
    signals:
      innage: {table: holding_registers, address: 0, type: float32, unit: m, minimum: 1 m, maximum: 13.5 m}
      ullage: {table: holding_registers, address: 2, type: float32, unit: m, minimum: 1.5 m, maximum: 20 m}
      loop: {table: holding_registers, address: 4, type: uint16, unit: uA, current_loop: {low: 0 m, high: 13 m}}
instruments:
  G-9: {line: north, unit: 9, map: short, period: 2 s}
"""
"""An innage of 1 to 13.5 m; an ullage whose least, 1.5 m, is a level of 13.74 m; a loop that measures to 20.5 mA, which
are 13 m and 0.5/16 of 13 m, 13.406 m."""


@pytest.mark.parametrize(
    ("signal", "measures", "highest"),
    [("innage", "innage", 13.5), ("ullage", "ullage", 13.74), ("loop", "innage", 13.406)],
)
def test_a_level_of_concern_that_no_gauge_can_show_is_warned_of(
    tmp_path: Path, signal: str, measures: str, highest: float
) -> None:
    gauge = f"level: {{instrument: G-9, signal: {signal}, measures: {measures}}}"
    text = MAPS + TANK.replace("level: {instrument: G-1, signal: innage, measures: innage}", gauge)
    warnings = [each for each in _load(tmp_path, text).warnings if "can say" in each]
    limits = {"high_high": 13.55, "critical_high": 13.95, "maximum_working": 13.2}
    beyond = {name for name, level_m in limits.items() if level_m > highest}
    assert {name for name in limits if any(f".{name}: " in each for each in warnings)} == beyond
    assert all(
        f"G-9.{signal} can say, {highest:.3f} m: there the level is lost and not high" in each
        for each in warnings
        if "minimum" not in each
    )
    assert any("limits.minimum: 0.9 m is below all" in each for each in warnings) is (signal == "innage")
    second = text + "    second_level: {instrument: G-2, signal: innage, measures: innage}\n"
    assert not [each for each in _load(tmp_path, second).warnings if "can say" in each], "the second gauge can"


def test_no_limit_lies_above_the_overflow_and_one_may_be_it(tmp_path: Path) -> None:
    at = TANK.replace("critical_high: 13.95 m}", "critical_high: 13.95 m, overflow: 13.95 m}")
    assert _load(tmp_path, at).warnings == ()


def test_the_demo_needs_no_more_time_than_it_has() -> None:
    """practice.md: high-high to critical high at the greatest inflow takes 10 min or more in every tank."""
    site = load_site(config_path("demo/site.yaml"), now=NOW)
    assert not [warning for warning in site.warnings if "below critical_high" in warning or "response" in warning]
    for tank in site.tanks:
        limits, flow = tank.plan.limits, tank.plan.maximum_flow_in_m3_s
        assert limits.high_high_m is not None
        assert limits.critical_high_m is not None
        assert flow is not None
        capacity = tank.plan.capacity
        assert (capacity.volume(limits.critical_high_m) - capacity.volume(limits.high_high_m)) / flow >= 600.0


def test_the_gateway_has_alarms_of_its_own(tmp_path: Path) -> None:
    usual = _load(tmp_path, TANK).gateway_alarms
    assert tuple(each.kind for each in usual) == GATEWAY_KINDS
    changed = _load(tmp_path, "watch: {alarms: {line_lost: {priority: now}, clock_untrusted: none}}\n" + TANK)
    assert next((each.kind, each.priority) for each in changed.gateway_alarms) == (AlarmKind.LINE_LOST, Priority.NOW)
    assert AlarmKind.CLOCK_UNTRUSTED not in {each.kind for each in changed.gateway_alarms}


def test_every_kind_has_a_key_a_text_and_a_condition() -> None:
    assert set(DEFAULTS) == set(AlarmKind)
    assert set(TankAlarmsModel.model_fields) == {kind.value for kind in TANK_KINDS}
    assert set(SiteAlarmsModel.model_fields) == {kind.value for kind in AlarmKind}
    plan, given = straight_plan(), straight_input()
    watch = WatchPlan("TK-1", alarms=tuple(alarm(kind) for kind in TANK_KINDS))
    assert set(conditions(watch, plan, given, sheet(plan, given), course(), None)) == set(TANK_KINDS)


@pytest.mark.parametrize("kind", list(AlarmKind))
def test_every_text_is_sentences_that_a_night_shift_can_read(kind: AlarmKind) -> None:
    usual = DEFAULTS[kind]
    for text in (usual.consequence, usual.action):
        assert re.fullmatch(r"[A-Z].*\.", text)
        assert len(text) <= 220
        assert not re.search(r"\b(alarm|setpoint|acknowledge|HH|CH|MW|signal)\b", text)


def test_first_things_come_first() -> None:
    """ISA-18.2: priority by consequence and by how soon somebody has to act."""
    by_priority = {
        priority: [each.response_s for each in DEFAULTS.values() if each.priority is priority] for priority in Priority
    }
    assert max(by_priority[Priority.NOW]) <= 900.0
    assert max(by_priority[Priority.SOON]) <= 3600.0
    assert min(by_priority[Priority.LOOK]) >= 3600.0
    assert all(DEFAULTS[kind].on_delay_s == 0.0 for kind in NEVER_DELAYED)


def test_it_says_what_it_is_not() -> None:
    assert "not the overfill prevention system" in DEFAULTS[AlarmKind.HIGH_HIGH].action
    for kind in (AlarmKind.UNSCHEDULED_MOVEMENT, AlarmKind.SLOW_LOSS):
        assert "no leak detection as the law may ask for" in DEFAULTS[kind].action
    reference = config_path("site.yaml").read_text(encoding="utf-8")
    assert "no overfill prevention system (API 2350), no regulatory leak-detection method" in reference
