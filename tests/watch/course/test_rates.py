"""The net rate: right, or none. TK-101 holds 254.469 m3 a metre; the straight tank 100 m3.

The rate has its own noise: 30 readings 10 s apart, each with 0.5 mm of noise and a step of 1 mm (1 mm / sqrt(12) =
0.29 mm), so 0.58 mm together. The slope of a line through them has a deviation of 0.58 mm / (10 s sqrt(30 (30^2 - 1) /
12)) = 1.2e-6 m/s (any handbook of statistics), in TK-101 1.1 m3/h.
"""

import math
from datetime import timedelta

import pytest

from gateway.calculation.plan import FlowPlan, GaugeKind, GaugePlan, HeadPlan
from gateway.calculation.tables.level_of_volume import level_of_volume
from gateway.records import Figure, Quality, ReasonCode
from gateway.tank_state import AlarmKind, Motion
from gateway.watch.course.line import Readings, line_through
from gateway.watch.plan import CoursePlan
from tests.support.plans import bad, good, straight_plan
from tests.watch.course.life import Life, Told, demo_tank, doubted, seen

FLOWS_M3_H = {"TK-101": 300, "TK-204": 300, "J-3": 120, "B-2": 20, "P-12": 200, "BO-5": 28, "F-1": 600, "D-1": 200}
"""Of the demo tanks with a level gauge: 300 m3/h, or the greatest inflow of practice.md section 5."""


def straight(**changes: object) -> Life:
    return Life(straight_plan(**changes), density=800.0)


def codes(figure: Figure) -> list[ReasonCode]:
    return [reason.code for reason in figure.reasons]


def test_the_line_is_that_of_least_squares() -> None:
    """By hand: times -1, 0, 1, levels 2, 3, 7: slope (1 (7 - 2)) / 2 = 2.5; volumes are ten times as much. The levels
    lie 0.5, -1 and 0.5 off it: sqrt(1.5 / 1) is their deviation, and that over sqrt(2) that of the slope."""
    line = line_through(Readings((9.0, 10.0, 11.0), (2.0, 3.0, 7.0), (20.0, 30.0, 70.0)), 0.001)
    assert (line.slope_m_s, line.slope_m3_s, line.middle_s, line.middle_m) == (2.5, 25.0, 10.0, 4.0)
    assert line.noise_m_s == pytest.approx(math.sqrt(1.5) / math.sqrt(2.0))
    assert line.is_unsteady
    flat = line_through(Readings((9.0, 10.0, 11.0), (2.0, 2.0, 2.0), (20.0, 20.0, 20.0)), 0.001)
    assert flat.noise_m_s == pytest.approx(math.hypot(0.0005, 0.001 / math.sqrt(12)) / math.sqrt(2.0))
    assert not flat.is_unsteady


@pytest.mark.parametrize("tag", FLOWS_M3_H)
@pytest.mark.parametrize("period_s", [2.0, 10.0, 30.0])
def test_each_demo_tank_tells_its_rate_within_5_percent_after_5_minutes(tag: str, period_s: float) -> None:
    tank, flow_m3_s = demo_tank(tag), FLOWS_M3_H[tag] / 3600.0
    for seed in range(1 if period_s < 10.0 else 3):
        life = Life(tank, density=750.0 if tag == "TK-204" else 838.0, noise_m=0.0005, period_s=period_s, seed=seed)
        assert tank.limits.maximum_working_m is not None
        from_m3 = tank.capacity.volume(tank.limits.maximum_working_m / 2.0)
        life.rest(400, tank.limits.maximum_working_m / 2.0)
        begun_s = life.second
        while life.second < begun_s + 900.0:
            life.later()
            told = life.look(level_of_volume(tank.capacity, from_m3 + flow_m3_s * (life.second - begun_s)))
            if life.second - begun_s >= 300.0:
                assert told.course.rate.quality is Quality.GOOD
                assert told.course.rate.value == pytest.approx(flow_m3_s, rel=0.05)
                assert told.course.motion is Motion.FILLING
                assert len(told.course.times) == 3
                for each in told.course.times:
                    missing_m3 = tank.capacity.volume(each.level_m) - from_m3 - flow_m3_s * (life.second - begun_s)
                    assert each.in_s == pytest.approx(missing_m3 / flow_m3_s, rel=0.05)


def test_a_rate_by_pressure_is_as_right() -> None:
    """The caustic tank of practice.md section 5, by the pressure at its nozzle: 50 m3/h into pi 8^2/4 = 50.27 m2."""
    tank = demo_tank("C-7")
    assert isinstance(tank.gauge, HeadPlan)
    life = Life(tank)
    for _ in range(60):
        life.later()
        level_m = 4.0 + 50.0 / 3600.0 * life.second / 50.2655
        pressure_pa = (level_m - tank.gauge.nozzle_height_m) * (1525.0 - 0.70 * (24.6 - 20.0) - 1.2) * 9.80665
        life.look(None, 24.6, bottom_pressure=good(pressure_pa, age_s=0.0))
    rate = life.told[-1].course.rate
    assert rate.quality is Quality.GOOD
    assert rate.value == pytest.approx(50.0 / 3600.0, rel=0.01)


def test_it_is_bad_uncertain_and_good_in_turn() -> None:
    life = straight()
    told = life.rest(400, 5.0)
    qualities = {each.second: each.course.rate.quality for each in told}
    # Readings from 10 s on: 60 s of them at 70 s, half of the window at 160 s.
    assert {each for second, each in qualities.items() if second < 70} == {Quality.BAD}
    assert {each for second, each in qualities.items() if 70 <= second < 160} == {Quality.UNCERTAIN}
    assert {each for second, each in qualities.items() if second >= 160} == {Quality.GOOD}
    assert codes(told[0].course.rate) == codes(told[10].course.rate) == [ReasonCode.TOO_SOON]
    assert told[2].course.rate.reasons[0].text == "readings so far: 3 over 20 s; a rate needs 60 s"
    assert told[10].course.rate.reasons[0].text == "over 100 s so far, of a window of 5 min"


def test_a_flow_that_begins_is_told_after_three_readings_and_never_as_a_mean_over_both() -> None:
    life = straight()
    life.rest(600, 5.0)
    before = len(life.told)
    # 60 m3/h are 1.67 mm in 10 s, so the line has been left, by 4 x 0.58 mm, after 20 s.
    life.flow(400, 5.0, 60.0)
    told = life.told[before:]
    known = [each for each in told if each.second - 600 >= 50]
    assert all(each.course.rate.value == pytest.approx(60.0 / 3600.0, rel=1e-6) for each in known)
    assert {each.course.motion for each in known} == {Motion.FILLING}
    assert not [each for each in told if each.course.rate.quality is Quality.GOOD and 40 <= each.second - 600 < 170]
    assert "the flow has changed" in known[0].course.rate.reasons[-1].text
    assert told[-1].course.rate.quality is Quality.GOOD


def test_a_flow_that_ends_has_no_rate_until_it_has_one_again() -> None:
    life = straight()
    end_m = life.flow(600, 5.0, 60.0)
    told = life.rest(400, end_m)
    for each in told:
        rate = each.course.rate
        # The line is kept for two readings that have left it, and the noise of its end is 4 deviations.
        if each.second - 600 >= 40 and rate.value is not None:
            assert abs(rate.value) * 3600.0 < 1e-6
            assert each.course.times == ()
    assert seen(told) == [Motion.FILLING, Motion.AT_REST]


def test_a_level_that_is_no_longer_read_has_no_rate() -> None:
    """The binding keeps the last value, with its age, until it is stale."""
    life = straight()
    end_m = life.flow(600, 5.0, 60.0)
    told: list[Told] = []
    for _ in range(30):
        life.later()
        age_s = life.second - 600.0
        told.append(life.look(doubted(end_m, ReasonCode.OVERDUE)._replace(age_s=age_s)))
    for each in told:
        rate = each.course.rate
        if each.second - 600.0 <= 150.0:
            assert rate.value == pytest.approx(60.0 / 3600.0)
            assert rate.quality is Quality.UNCERTAIN
            assert rate.age_s == each.second - 600.0
        else:
            assert rate.value is None
            assert codes(rate) == [ReasonCode.STALE]
            assert each.course.motion is Motion.UNKNOWN
            assert each.course.times == ()


def test_the_time_to_a_limit_counts_from_when_the_level_was_read() -> None:
    life = straight()
    end_m = life.flow(600, 5.0, 60.0)
    fresh = life.told[-1].course.times[0]
    life.later(30.0)
    late = life.look(doubted(end_m, ReasonCode.OVERDUE)._replace(age_s=30.0)).course.times[0]
    assert late.in_s == pytest.approx(fresh.in_s - 30.0)
    assert abs(late.at - fresh.at) < timedelta(milliseconds=1)


def test_a_lost_level_has_no_rate_and_the_first_after_a_gap_begins_anew() -> None:
    life = straight()
    life.rest(600, 5.0)
    for _ in range(20):
        life.later()
        course = life.look(bad(ReasonCode.NO_ANSWER)).course
        assert course.rate.value is None
        assert course.rate.quality is Quality.BAD
        assert course.motion is Motion.UNKNOWN
    # 200 s later the level stands 2 m higher: no line goes across that.
    told = life.rest(300, 7.0)
    assert all(each.course.rate.value is None for each in told[:6])
    assert all(abs(each.course.rate.value or 0.0) < 1e-9 for each in told)
    assert seen(told) == [Motion.UNKNOWN, Motion.AT_REST]


def test_a_reading_that_is_missing_is_no_gap() -> None:
    life = straight()
    life.rest(600, 5.0)
    since = life.told[-1].course.since
    life.later()
    assert life.look(bad(ReasonCode.NO_ANSWER)).course.motion is Motion.UNKNOWN
    life.later()
    course = life.look(5.0).course
    assert course.rate.quality is Quality.GOOD
    assert course.motion is Motion.AT_REST
    assert course.since == since, "it has been at rest all the time"


def test_a_doubted_level_makes_the_rate_uncertain_while_it_is_in_the_window() -> None:
    life = straight()
    life.rest(600, 5.0)
    life.later()
    told = life.look(doubted(5.0))
    assert codes(told.course.rate) == [ReasonCode.LOOP_OUTSIDE_SPAN]
    told_after = life.rest(400, 5.0)
    uncertain = [each.second for each in told_after if each.course.rate.quality is Quality.UNCERTAIN]
    assert uncertain == [620.0 + 10.0 * index for index in range(30)]
    assert told_after[0].course.rate.reasons[0].text == "a level within the window was in doubt: in doubt"


@pytest.mark.parametrize("is_limited", [True, False])
def test_one_spike_is_no_flow(is_limited: bool) -> None:
    """Where the pumps' limits are known the calculation doubts it; where they are not, it lies off the line."""
    limits = {"maximum_flow_in_m3_s": 0.1, "maximum_flow_out_m3_s": 0.1} if is_limited else {}
    life = straight(**limits)
    life.rest(600, 5.0)
    life.later()
    told = [life.look(5.5), *life.rest(400, 5.0)]
    for each in told:
        assert each.course.motion is Motion.AT_REST
        assert each.course.rate.value == pytest.approx(0.0, abs=1e-9)
        assert each.course.rate.quality is Quality.GOOD or each is told[0]
    assert life.finding() == []


def test_foam_is_no_flow_either() -> None:
    """Three readings on end that do not follow from one another begin no other line."""
    life = straight()
    life.rest(600, 5.0)
    for level_m in (5.5, 5.02, 5.3):
        life.later()
        assert life.look(level_m).course.motion is Motion.AT_REST
    assert codes(life.told[-1].course.rate) == [ReasonCode.TOO_SOON], "the last readings depart from it"
    for each in life.rest(400, 5.0):
        assert each.course.motion is Motion.AT_REST
        assert each.course.rate.value == pytest.approx(0.0, abs=1e-9)


def test_a_jump_that_is_doubted_is_left_out_and_the_flow_goes_on() -> None:
    """The level is 300 mm too high for 100 s while 60 m3/h flow in; 0.1 m3/s are the most that the pumps can do."""
    life = straight(maximum_flow_in_m3_s=0.1, maximum_flow_out_m3_s=0.1)
    life.flow(600, 5.0, 60.0)
    life.flow(100, 5.4, 60.0)
    life.flow(400, 5.1 + 100.0 / 6000.0, 60.0)
    for each in life.told[30:]:
        assert each.course.rate.value == pytest.approx(60.0 / 3600.0, rel=1e-6)
        assert each.course.motion is Motion.FILLING
        is_doubted = 600.0 < each.second <= 700.0
        assert each.course.rate.quality is (Quality.UNCERTAIN if is_doubted else Quality.GOOD)
        assert not is_doubted or codes(each.course.rate) == [ReasonCode.RATE_IMPLAUSIBLE]


@pytest.mark.parametrize("step_m", [0.02, 0.5])
def test_a_step_is_no_flow(step_m: float) -> None:
    life = straight()
    life.rest(600, 5.0)
    for each in life.rest(600, 5.0 + step_m):
        assert each.course.rate.value is None or abs(each.course.rate.value) < 1e-9
        assert each.course.motion is Motion.AT_REST


def test_another_gauge_begins_the_window_anew() -> None:
    second = GaugePlan(GaugeKind.INNAGE, name="second gauge")
    life = straight(second_gauge=second)
    life.rest(600, 5.0, second_level=good(5.006))
    told = []
    for _ in range(30):
        life.later()
        told.append(life.look(bad(), second_level=good(5.006, age_s=0.0)))
    assert codes(told[0].course.rate)[0] is ReasonCode.TOO_SOON
    assert told[-1].course.since == told[0].inventory.instant, "what it did before, another gauge told"
    assert all(abs(each.course.rate.value or 0.0) < 1e-9 for each in told)


def test_a_level_by_hand_has_no_rate() -> None:
    life = straight()
    life.rest(600, 5.0)
    life.later()
    told = life.look(bad(), dip_level=good(5.1)._replace(manual=True))
    assert told.inventory.figures.level.value == 5.1
    assert codes(told.course.rate) == [ReasonCode.MANUAL]
    assert life.finding() == []


def test_above_the_table_the_level_still_has_a_rate_and_the_volume_none() -> None:
    """Story 9 of practice.md: the volume is Bad, level and alarms stay."""
    life = Life(straight_plan(reference_height_m=11.0), density=800.0)
    for _ in range(40):
        life.later()
        life.look(9.99 + 60.0 / 3600.0 / 100.0 * life.second)
    course = life.told[-1].course
    assert course.rate.value is None
    assert codes(course.rate) == [ReasonCode.OUTSIDE_TABLE]
    assert course.level_rate.value == pytest.approx(60.0 / 3600.0 / 100.0)
    assert course.motion is Motion.FILLING
    assert course.times == ()


def test_a_warming_of_the_elements_and_another_density_are_no_flow() -> None:
    life = straight()
    life.rest(600, 5.0, 15.0)
    life.rest(300, 5.0, 25.0)
    life.density = 850.0
    told = life.rest(300, 5.0, 25.0)
    assert told[-1].course.rate.value == 0.0
    assert told[-1].course.rate.quality is Quality.GOOD


def test_a_frozen_level_has_no_rate_and_is_a_finding() -> None:
    """practice.md capability 6: 200 m3/h flow by the meter, and the level has stood still for 5 minutes."""
    life = straight(flows=(FlowPlan("FT-1.flow", into=True),))
    told = life.rest(600, 5.0, flows=(good(200.0 / 3600.0),))
    frozen = [each for each in told if AlarmKind.LEVEL_FROZEN in each.course.findings]
    assert frozen[0].second == 310.0
    for each in frozen:
        assert each.course.rate.value is None
        assert codes(each.course.rate) == [ReasonCode.LEVEL_FROZEN]
        assert each.course.motion is Motion.UNKNOWN
        assert each.course.times == ()
        assert each.course.findings[AlarmKind.LEVEL_FROZEN].code is ReasonCode.LEVEL_FROZEN


def test_a_level_against_the_flow_is_a_finding_and_tells_no_time() -> None:
    """Story 7 of practice.md: ullage read as innage, so that a tank that fills seems to drain."""
    life = straight(flows=(FlowPlan("FT-1.flow", into=True),))
    life.flow(900, 5.0, -200.0, flows=(good(200.0 / 3600.0),))
    course = life.told[-1].course
    assert course.findings[AlarmKind.WRONG_WAY].code is ReasonCode.LEVEL_AGAINST_FLOW
    assert course.rate.quality is Quality.UNCERTAIN
    assert course.times == ()


def test_a_window_of_ten_minutes_is_one() -> None:
    life = Life(straight_plan(), CoursePlan(window_s=600.0), density=800.0)
    told = life.rest(700, 5.0)
    assert next(each.second for each in told if each.course.rate.quality is Quality.GOOD) == 310.0
