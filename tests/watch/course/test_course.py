"""The course of the demo's TK-101 through the real calculation: rate, motion, times to limits, what nobody announced.

TK-101: 18.000 m wide, so pi 18^2/4 = 254.469 m3 a metre; 9.412 m hold 2395.06 m3 and 13.200 m 3358.99 m3, 963.93 m3 of
room (practice.md section 5). White noise of 0.5 mm and steps of 1 mm throughout.
"""

import math

import pytest

from gateway.calculation.plan import GaugeKind, GaugePlan
from gateway.records import Quality
from gateway.tank_state import AlarmKind, Motion
from tests.support.plans import straight_plan
from tests.watch.course.life import Life, demo_tank, seen

AREA_M2 = math.pi * 18.0**2 / 4.0
NOISE_M = 0.0005
MOVED = AlarmKind.UNSCHEDULED_MOVEMENT


def tk_101(**changes: object) -> Life:
    return Life(demo_tank("TK-101"), noise_m=NOISE_M, **changes)  # type: ignore[arg-type]


def test_300_m3_h_are_told_within_5_percent_after_5_minutes_and_with_them_the_time_to_each_limit() -> None:
    life = tk_101()
    life.rest(600, 9.0, 14.7)
    life.flow(300, 9.0, 300.0, 14.7)
    course = life.told[-1].course
    assert course.rate.quality is Quality.GOOD
    assert course.rate.value == pytest.approx(300.0 / 3600.0, rel=0.05)
    assert course.level_rate.value == pytest.approx(300.0 / 3600.0 / AREA_M2, rel=0.05)
    assert course.motion is Motion.FILLING
    # 300 m3/h for 300 s are 25 m3, so the level is at 9.09824 m: 1043.77 m3 below 13.200 m, which take 3 h 28 min 45 s.
    assert [each.limit for each in course.times] == ["maximum_working", "high_high", "critical_high"]
    for each, limit_m in zip(course.times, (13.2, 13.55, 13.95), strict=True):
        assert each.level_m == limit_m
        assert each.in_s == pytest.approx((limit_m - 9.09824) * AREA_M2 / 300.0 * 3600.0, rel=0.05)
        assert (each.at - life.instant()).total_seconds() == pytest.approx(each.in_s, abs=1e-3)


def test_a_tank_at_rest_has_no_time_to_any_limit() -> None:
    life = tk_101()
    told = life.rest(7200, 9.412, 14.7)
    assert seen(told) == [Motion.UNKNOWN, Motion.AT_REST]
    assert all(each.course.times == () for each in told)
    # Before half of the window is full, nobody can tell rest from a slow movement.
    assert next(each.second for each in told if each.course.at_rest) == 160.0
    assert told[-1].course.since == told[0].inventory.instant
    assert not any(each.course.findings for each in told)


def test_emptying_tells_the_time_to_the_minimum_and_to_nothing_else() -> None:
    life = tk_101()
    life.flow(600, 3.0, -300.0)
    course = life.told[-1].course
    assert course.motion is Motion.EMPTYING
    # 300 m3/h for 600 s are 50 m3: 3.000 - 0.19649 = 2.80351 m, and 484.39 m3 more down to 0.900 m.
    assert [each.limit for each in course.times] == ["minimum"]
    assert course.times[0].in_s == pytest.approx((2.80351 - 0.9) * AREA_M2 / 300.0 * 3600.0, rel=0.05)


def test_one_cubic_metre_an_hour_out_of_a_tank_at_rest_is_found_within_2_hours() -> None:
    """practice.md capability 24. 5 mm of 254.5 m2 are 1.272 m3: at 1 m3/h after 76 min, and the mean lags by 5 min."""
    life = tk_101()
    life.rest(3600, 9.412, 14.7)
    assert life.finding() == []
    began_s = life.second
    life.flow(7200, 9.412, -1.0, 14.7)
    (found_s, is_found), *more = life.finding()
    assert is_found
    assert not more
    assert 76 * 60 < found_s - began_s < 90 * 60
    assert {each.course.motion for each in life.told[30:]} == {Motion.AT_REST}


def test_five_degrees_of_warming_are_no_movement_and_are_called_by_their_name() -> None:
    """practice.md capability 24: +5 degC, +40 mm, no GSV. CTL = exp(-a dT (1 + 0.8 a dT)) with a = 0.000846/degC of the
    demo gives 9.412 m exp(a 5 (1 + 0.8 a 5)) - 9.412 m = 0.0400 m."""
    life = tk_101()
    life.rest(3600, 9.412, 14.7)
    for step in range(1, 8 * 360 + 1):
        warmer_c = 5.0 * step / (8 * 360)
        expansion = 0.000846 * warmer_c
        life.later()
        life.look(9.412 * math.exp(expansion * (1.0 + 0.8 * expansion)), 14.7 + warmer_c)
    last = life.told[-1]
    assert last.inventory.figures.level.value == pytest.approx(9.452, abs=0.0015)
    assert life.finding() == []
    assert last.course.activity == "thermal"
    assert last.course.activity_reason is not None
    assert last.course.activity_reason.code == "thermal"
    assert {each.course.motion for each in life.told[30:]} == {Motion.AT_REST}


def test_a_movement_at_a_rate_is_one_finding_that_ends_with_it() -> None:
    life = tk_101()
    life.rest(3600, 9.412)
    end_m = life.flow(1800, 9.412, 300.0)
    life.rest(3600, end_m)
    (found_s, is_found), (ended_s, is_there) = life.finding()
    assert is_found
    assert not is_there
    assert 3600 < found_s <= 3660, "within a minute"
    assert 3600 + 1800 + 900 <= ended_s <= 3600 + 1800 + 1020, "once it has stood for 15 min"


@pytest.mark.parametrize("period_s", [30.0, 60.0, 120.0])
def test_a_tank_that_is_polled_slowly_and_is_noisier_than_most_does_not_move_by_that(period_s: float) -> None:
    """1.2 mm of white noise, twice what a gauge mostly has: six readings of a window may lie on a line by chance. With
    the noise of those six alone it was told to move once or twice a day."""
    plan = straight_plan(gauge=GaugePlan(GaugeKind.INNAGE, resolution_m=0.001))
    life = Life(plan, density=800.0, noise_m=0.0012, period_s=period_s, seed=3)
    life.rest(3 * 86_400.0, 5.0)
    assert not {Motion.FILLING, Motion.EMPTYING} & {each.course.motion for each in life.told if each.second > 1800.0}
    begun_s = life.second
    life.flow(1200.0, 5.0, 300.0)
    moving = next(each.second for each in life.told if each.course.motion is Motion.FILLING)
    assert moving - begun_s <= 3 * period_s, "a true movement is told no later for it: three readings leave the line"
