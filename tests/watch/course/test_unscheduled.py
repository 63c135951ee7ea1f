"""What nobody announced, what only looks like it, and what the level is known to do. The straight tank holds 100 m3 a
metre and its oil changes by 0.001 of its volume a degree, so 5 mm are 0.5 m3 at 15 degC."""

import math

import pytest

from gateway.calculation.plan import FreeWaterSource, GaugeKind, GaugePlan
from gateway.records import ReasonCode
from gateway.tank_state import AlarmKind, Motion
from gateway.watch.course.contents import contents_of
from gateway.watch.plan import CoursePlan, UnscheduledPlan
from tests.support.plans import bad, good, straight_plan
from tests.watch.course.life import Life, demo_tank, seen

MOVED = AlarmKind.UNSCHEDULED_MOVEMENT
ARMS_S = 45 * 60.0
SINCE_S = 10.0
"""Its first reading: from then on it is known to have been at rest."""


def straight(plan: CoursePlan | None = None, **changes: object) -> Life:
    return Life(straight_plan(**changes), plan, density=800.0)


def rested(plan: CoursePlan | None = None, **changes: object) -> Life:
    """At 5 m for an hour, so armed, by 500 m3."""
    life = straight(plan, **changes)
    life.rest(3600, 5.0)
    assert life.told[-1].course.at_rest
    return life


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_it_arms_after_45_minutes_at_rest_and_finds_5_mm(way: float) -> None:
    """At 1 m3/h 0.5 m3 take half an hour, and the mean, of 5 min, lags behind by as much."""
    life = straight()
    life.rest(ARMS_S + SINCE_S, 5.0)
    assert life.course_memory.holding.armed is not None
    begun_s = life.second
    life.flow(3600, 5.0, way)
    ((found_s, is_there),) = life.finding()
    assert is_there
    assert 1800 + 240 < found_s - begun_s < 1800 + 360
    reason = next(each.course.findings[MOVED] for each in life.told if MOVED in each.course.findings)
    values = dict(reason.values)
    assert values["amount"] == pytest.approx(way * 0.5, abs=0.01)
    assert values["equivalent"] == pytest.approx(way * 0.005, abs=1e-4)
    assert reason.code is ReasonCode.MOVES_UNSCHEDULED
    assert "with no movement announced" in reason.text


def test_before_that_it_does_not() -> None:
    life = straight()
    life.rest(ARMS_S - 20.0, 5.0)
    assert life.course_memory.holding.armed is None
    end_m = life.flow(600, 5.0, 60.0)
    life.rest(3600, end_m)
    assert life.finding() == []


def test_it_is_found_by_the_deviation_of_its_plan() -> None:
    plan = CoursePlan(unscheduled=UnscheduledPlan(arms_after_s=600.0, deviation_m=0.02))
    life = straight(plan)
    life.rest(1200, 5.0)
    life.rest(3600, 5.018)
    assert life.finding() == []
    life.rest(1800, 5.024)
    assert [is_there for _, is_there in life.finding()] == [True]


def test_a_tank_whose_movements_are_nobodys_concern_has_none() -> None:
    life = rested(CoursePlan(unscheduled=None))
    end_m = life.flow(1800, 5.0, 60.0)
    life.rest(3600, end_m)
    assert life.finding() == []
    assert seen(life.told) == [Motion.UNKNOWN, Motion.AT_REST, Motion.FILLING, Motion.AT_REST]


def test_a_tank_that_fills_and_empties_all_day_is_one_finding_and_no_more() -> None:
    """Armed by the night: the first movement is one; between two of them it is never at rest for 45 min."""
    life = rested()
    level_m = 5.0
    for _ in range(4):
        level_m = life.flow(1800, level_m, 60.0)
        life.rest(1200, level_m)
        level_m = life.flow(1800, level_m, -60.0)
        life.rest(1200, level_m)
    assert [is_there for _, is_there in life.finding()] == [True, False]


def test_a_slow_loss_goes_on_being_one_finding_for_as_long_as_it_goes_on() -> None:
    life = rested()
    life.flow(12 * 3600, 5.0, -1.0)
    assert [is_there for _, is_there in life.finding()] == [True]


def test_one_that_has_stopped_ends_after_three_hours_and_the_tank_is_armed_again() -> None:
    life = rested()
    end_m = life.flow(3600, 5.0, -1.0)
    stopped_s = life.second
    life.rest(4 * 3600, end_m)
    (_, is_found), (ended_s, is_there) = life.finding()
    assert (is_found, is_there) == (True, False)
    # Four times 45 min after it has come to within 2.5 mm of where it stays, at most 15 min before it stands.
    assert 4 * ARMS_S - 900 < ended_s - stopped_s < 4 * ARMS_S + 600
    life.flow(3600, end_m, -1.0)
    assert [is_there for _, is_there in life.finding()] == [True, False, True]


def test_one_that_comes_back_ends_then() -> None:
    life = rested()
    life.rest(1800, 4.994)
    assert [is_there for _, is_there in life.finding()] == [True]
    life.rest(1800, 5.0)
    assert [is_there for _, is_there in life.finding()] == [True, False]


def test_ripple_about_the_deviation_is_one_finding() -> None:
    life = rested()
    for step in range(900):
        life.later()
        life.look(4.995 + 0.001 * math.sin(step / 17.0))
    assert [is_there for _, is_there in life.finding()] == [True]


@pytest.mark.parametrize("residual_m3_h", [0.0, -0.25])
def test_story_18_closed_valves_and_the_sun(residual_m3_h: float) -> None:
    """15 mm up in the afternoon and down in the night, of 5 m: 3 degC. Alone it is thermal; what is left beside it is
    found: 0.25 m3/h are 2.5 mm an hour, 5 mm after 2 h."""
    life = rested()
    for step in range(1, 6 * 360 + 1):
        hours = step / 360.0
        warmer_c = 3.0 * math.sin(math.pi * hours / 6.0)
        gsv_m3 = 500.0 + residual_m3_h * hours
        life.later()
        life.look(gsv_m3 / (1.0 - 0.001 * warmer_c) / 100.0, 15.0 + warmer_c)
    thermal = [each for each in life.told if each.course.activity == "thermal"]
    assert thermal
    assert thermal[0].course.activity_reason is not None
    assert "by temperature" in thermal[0].course.activity_reason.text
    if residual_m3_h:
        ((found_s, _),) = life.finding()
        assert 2.0 < (found_s - 3600.0) / 3600.0 < 2.3
    else:
        assert life.finding() == []
        assert sum(each.course.activity == "thermal" for each in life.told) > 1000
    assert {each.course.motion for each in life.told[30:]} == {Motion.AT_REST}


@pytest.mark.parametrize("flow_m3_h", [3.0, 30.0])
def test_story_17_a_water_draw_is_called_by_its_name(flow_m3_h: float) -> None:
    """Free water goes from 300 mm to 100 mm, 20 m3: the level falls by as much and the product stays."""
    life = straight(free_water=FreeWaterSource.PROBE)
    life.rest(3600, 5.0, water_m=0.3)
    before = len(life.told)
    for step in range(1, round(20.0 / flow_m3_h * 360) + 1):
        drawn_m = flow_m3_h * step / 360.0 / 100.0
        life.later()
        life.look(5.0 - drawn_m, water_m=0.3 - drawn_m)
    told = life.told[before:]
    # 5 mm, half of them water for sure: after 0.5 m3 and the lag of the mean.
    late = [each for each in told if each.second - 3600.0 > 0.5 / flow_m3_h * 3600.0 + 600.0]
    assert {each.course.activity for each in late} == {"water_draw"}
    assert late[0].course.activity_reason is not None
    assert late[0].course.activity_reason.code is ReasonCode.WATER_DRAW
    life.rest(7200, 4.8, water_m=0.1)
    assert life.finding() == []
    assert life.told[-1].course.activity == ""
    if flow_m3_h > 20.0:
        assert Motion.EMPTYING in seen(told), "it is drawn at a rate"


def test_a_water_draw_that_is_dipped_only_afterwards_ends_what_was_found() -> None:
    life = straight(free_water=FreeWaterSource.DIP)
    life.rest(3600, 5.0, dip_water=good(0.3, age_s=0.0))
    end_m = life.flow(3600, 5.0, -5.0, dip_water=good(0.3, age_s=0.0))
    assert [is_there for _, is_there in life.finding()] == [True]
    life.rest(1200, end_m, dip_water=good(0.25, age_s=0.0))
    assert [is_there for _, is_there in life.finding()] == [True, False]


@pytest.mark.parametrize(("before_m", "after_m"), [(0.3, 0.4), (0.3, 0.1)], ids=["more water", "less water"])
def test_water_dipped_anew_is_no_movement(before_m: float, after_m: float) -> None:
    """10 m3 more or 20 m3 less of product, and nothing has moved."""
    life = straight(free_water=FreeWaterSource.DIP)
    life.rest(3600, 5.0, 15.0, dip_water=good(before_m, age_s=0.0))
    life.rest(3600, 5.0, 15.0, dip_water=good(after_m, age_s=0.0))
    assert life.finding() == []
    assert {each.course.activity for each in life.told} == {""}


def test_an_element_that_fails_is_no_movement() -> None:
    """The liquid is at 15 and 18 degC; without the warm element it is 1 degC colder by the mean, 0.5 m3 of GSV more."""
    life = straight()
    warm = tuple(good(each) for each in (15.0, 15.0, 18.0, 15.0))
    life.rest(3600, 6.0, elements=warm)
    q_before = life.told[-1].inventory.figures.gsv.value
    life.rest(3600, 6.0, elements=(warm[0], warm[1], bad(ReasonCode.SENTINEL), warm[3]))
    q_after = life.told[-1].inventory.figures.gsv.value
    assert q_before is not None
    assert q_after is not None
    assert q_after - q_before == pytest.approx(0.6, abs=0.01), "more than 5 mm"
    assert life.finding() == []
    life.flow(3600, 6.0, -1.0, elements=(warm[0], warm[1], bad(ReasonCode.SENTINEL), warm[3]))
    assert [is_there for _, is_there in life.finding()] == [True], "and it is still armed"


def test_another_gauge_is_no_movement() -> None:
    life = straight(second_gauge=GaugePlan(GaugeKind.INNAGE, name="second gauge"))
    life.rest(3600, 5.0, second_level=good(5.009))
    for _ in range(360):
        life.later()
        life.look(bad(), second_level=good(5.009, age_s=0.0))
    life.rest(3600, 5.0, second_level=good(5.009))
    assert life.finding() == []


def test_story_3_a_false_jump_of_the_level_is_no_movement() -> None:
    """Foam: 300 mm too high for ten minutes, in a tank of which the greatest flows are known."""
    life = rested(maximum_flow_in_m3_s=0.1, maximum_flow_out_m3_s=0.1)
    before = len(life.told)
    life.rest(180, 5.3)
    life.rest(3600, 5.0)
    assert life.finding() == []
    assert {each.course.motion for each in life.told[before:]} <= {Motion.AT_REST, Motion.UNKNOWN}


def test_what_moved_while_nothing_was_read_is_told_with_that_doubt() -> None:
    life = rested()
    for _ in range(360):
        life.later()
        life.look(bad())
    told = life.rest(3600, 5.2)
    reason = next(each.course.findings[MOVED] for each in told if MOVED in each.course.findings)
    assert dict(reason.values)["amount"] == pytest.approx(20.0)
    assert reason.text.endswith("for 60 min nothing was read")
    life.rest(3600, 5.2)
    assert [is_there for _, is_there in life.finding()] == [True, False], "at rest again for 45 min"


@pytest.mark.parametrize("is_known", [True, False])
@pytest.mark.parametrize("pause_s", [20.0, 7200.0])
def test_a_restart_is_no_movement_and_the_reference_survives_it(is_known: bool, pause_s: float) -> None:
    life = rested()
    life.restart(pause_s, is_known=is_known)
    life.rest(600, 5.0)
    assert life.finding() == []
    life.flow(3600, 5.0, -1.0)
    (found_s, is_there), *_ = life.finding()
    assert is_there
    # No other 45 minutes: 30 min for 5 mm, and the lag of the mean.
    assert found_s - (3600.0 + pause_s + 600.0) < 1800 + 360
    text = life.told[-1].course.findings[MOVED].text
    if not is_known:
        assert text.endswith("for a time that is not known nothing was read")
    elif pause_s > 150.0:
        assert text.endswith("for 2.0 h nothing was read")
    else:
        assert "nothing was read" not in text


def test_a_clock_that_is_set_is_no_movement_and_moves_no_duration() -> None:
    life = rested()
    since = life.told[-1].course.since
    life.utc_off_s = -7200.0
    course = life.rest(600, 5.0)[-1].course
    assert since is not None
    assert course.since is not None
    assert (since - course.since).total_seconds() == pytest.approx(7200.0)
    assert life.finding() == []
    life.flow(3600, 5.0, 2.0)
    assert [is_there for _, is_there in life.finding()] == [True]


def test_a_pressurised_tank_is_compared_by_mass() -> None:
    """The bullet of practice.md section 5: liquid and vapour together, of which warming changes nothing."""
    tank = demo_tank("B-2")
    life = Life(tank, density=0.0)
    told = life.look(1.64, 24.0, vapour_pressure=good(5.4e5), reference_density=None)
    contents = contents_of(tank, told.inventory)
    assert contents is not None
    assert contents.quantity == told.inventory.figures.total_mass.value
    liquid, vapour = told.inventory.figures.observed_density.value, told.inventory.figures.vapour_density.value
    assert liquid is not None
    assert vapour is not None
    assert contents.per_m3 == pytest.approx(liquid - vapour)


def test_a_product_without_a_reference_volume_is_compared_by_mass() -> None:
    tank = demo_tank("P-12")
    told = Life(tank).look(9.31, 51.0, reference_density=None)
    contents = contents_of(tank, told.inventory)
    assert contents is not None
    assert contents.quantity == told.inventory.figures.mass.value
    assert contents.per_m3 == told.inventory.figures.observed_density.value


def test_a_loss_too_slow_for_a_day_to_show_is_found_after_twice_the_deviation() -> None:
    """4 mm a day: against the mean of the last day it is never 5 mm. 10 mm of level since it was armed are 2.5 days."""
    life = Life(straight_plan(), density=800.0, period_s=120.0)
    life.rest(3600, 5.0)
    # 4 mm a day of 100 m2 are 0.4 m3 a day.
    life.flow(3 * 86_400, 5.0, -0.4 / 24.0)
    (found_s, is_there), *_ = life.finding()
    assert is_there
    assert (found_s - 3600.0) / 86_400.0 == pytest.approx(2.5, abs=0.05)


def test_the_slow_wander_of_a_gauge_is_no_movement() -> None:
    """6 mm down in a day and up again, more than any gauge should: 6 mm from what it was armed with, and from the mean
    of the last day, which follows, at most 3 mm x 3.14 / sqrt(1 + 3.14^2) = 2.9 mm, and 1.4 mm more on the first."""
    life = Life(straight_plan(), density=800.0, period_s=120.0)
    for _ in range(3 * 720):
        life.later()
        life.look(5.0 + 0.003 * math.cos(math.pi * life.second / 86_400.0))
    assert life.course_memory.holding.armed is not None
    assert life.finding() == []


def test_a_movement_with_some_warming_in_it_is_not_called_thermal() -> None:
    """6 mm, of which 0.4 degC explain 2 mm: more than half of it is product."""
    life = rested()
    told = life.rest(1800, 5.006, 15.4)
    assert {each.course.activity for each in told} == {""}


def test_times_that_go_back_begin_anew() -> None:
    """Sheets without a steady clock go by UTC, which is set back here by two hours."""
    life = rested()
    since = life.told[-1].course.since
    life.steady_off_s -= 7200.0
    life.utc_off_s -= 7200.0
    told = life.rest(1800, 5.0)
    assert seen(told) == [Motion.UNKNOWN, Motion.AT_REST]
    assert told[-1].course.since == told[0].inventory.instant
    assert told[-1].course.since != since
    assert life.finding() == []
    followed = life.course_memory.holding.followed
    assert followed is not None
    assert followed.time_s == life.steady_off_s + life.second


def test_one_spike_is_no_movement() -> None:
    life = rested()
    life.later()
    life.look(5.5)
    life.rest(600, 5.0)
    assert life.finding() == []


@pytest.mark.parametrize(("off_m", "is_within"), [(0.004, True), (-0.004, True), (0.006, False)])
def test_a_quiet_tank_tells_how_far_it_is_from_what_it_is_compared_with(off_m: float, is_within: bool) -> None:
    """5 mm of 100 m3 a metre are a band of 0.5 m3. The mean of an hour that began at 5 m lies where it began, but for
    an hour of 25."""
    life = rested()
    before = life.told[-1].course.still
    assert before is not None
    assert before.is_within
    assert before.change_m3 == pytest.approx(0.0, abs=1e-6)
    life.rest(3600, 5.0 + off_m)
    still = life.told[-1].course.still
    assert still is not None
    assert still.band_m3 == pytest.approx(0.5)
    assert still.change_m3 == pytest.approx(100 * off_m * (1.0 if not is_within else 0.96), abs=0.015)
    assert still.is_within is is_within
    assert still.since is not None
    # To the minute, from when it was armed: 45 min at rest, of two hours less the first reading.
    ago_s = (life.told[-1].inventory.instant - still.since).total_seconds()
    assert ago_s == pytest.approx(2 * 3600 - ARMS_S, abs=90)


def test_what_is_not_armed_tells_no_change() -> None:
    life = straight()
    life.rest(ARMS_S - 20.0, 5.0)
    assert all(each.course.still is None for each in life.told)
    free = straight(CoursePlan(unscheduled=None))
    free.rest(2 * 3600, 5.0)
    assert all(each.course.still is None for each in free.told)


def test_warming_changes_nothing_of_it() -> None:
    """Story 18: TK-101 warmed by 5 degC rises by 40 mm, and holds what it held."""
    life = rested()
    life.rest(3600, 5.0 * (1.0 + 0.001 * 5.0), temperature_c=20.0)
    still = life.told[-1].course.still
    assert still is not None
    assert still.is_within
    assert abs(still.change_m3) < 0.05


@pytest.mark.parametrize("restarts", [False, True])
@pytest.mark.parametrize("pause_s", [60.0, 300.0, 3600.0, 4 * 3600.0])
@pytest.mark.parametrize("off_m", [-0.05, 0.05, -0.006, 0.002])
def test_what_is_beyond_the_band_is_at_no_sheet_within_it(off_m: float, pause_s: float, *, restarts: bool) -> None:
    """Story: -50 mm of 100 m3 a metre were lost while nobody looked, -5 m3 against 0.5 m3. The first readings after the
    pause, by which nobody knows yet whether it moves, say nothing of it; what has moved at last is found."""
    life = rested()
    before = len(life.told)
    if restarts:
        life.restart(pause_s)
    else:
        life.later(pause_s)
    life.rest(1200, 5.0 + off_m)
    told = [each.course.still for each in life.told[before:] if each.course.still is not None]
    assert told
    assert all(abs(still.change_m3) <= still.band_m3 for still in told if still.is_within)
    assert told[-1].is_within is (abs(off_m) <= 0.005)
