"""Readings against their own past: what a pump can do to a level and heat to a temperature, and how a doubt ends.

The tank holds 100 m3 per metre and its pumps do 400 m3/h: 66.7 mm a minute, 100 mm at the limit of one and a half.
"""

from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.doubts.rates import (
    NO_TRACK,
    LevelLimits,
    Sample,
    TemperatureLimits,
    Track,
    TrackState,
    follow,
    speed_m_s,
    volume_near,
)
from gateway.calculation.plan import TankPlan
from gateway.calculation.shapes import Sphere
from gateway.records import Reason
from tests.support.plans import StraightTank, straight_plan

PUMP_M3_S = 400.0 / 3600.0
LIMITS = LevelLimits(PUMP_M3_S, PUMP_M3_S, 0.001)


def at(time_s: float, level_m: float) -> Sample:
    return Sample(time_s, level_m, 100.0 * level_m)


@dataclass
class Following:
    """A track while readings come in."""

    track: Track = NO_TRACK
    limits: LevelLimits | TemperatureLimits = LIMITS

    def read(self, time_s: float, level_m: float, borne_out: bool = False) -> Reason | None:
        self.track, fault = follow(self.track, at(time_s, level_m), self.limits, borne_out)
        return fault

    def stand(self, from_s: int, to_s: int, level_m: float, every_s: int = 10) -> list[bool]:
        """Whether each of the readings on the way is in doubt."""
        return [self.read(time_s, level_m) is not None for time_s in range(from_s, to_s, every_s)]


def settled(level_m: float = 5.0) -> Following:
    """A level that has stood for ten minutes until time 0."""
    found = Following()
    assert not any(found.stand(-600, 1, level_m))
    assert found.track.state is TrackState.SETTLED
    return found


def test_a_spike_of_500_mm_is_faster_than_any_pump_and_comes_back_at_once() -> None:
    found = settled()
    fault = found.read(2, 5.5)
    assert fault is not None
    assert fault.text == (
        "level rises from 5.000 m by 500 mm within 62 s, 2897 m3/h, faster than 1.5 times the greatest flow of 400 m3/h"
    )
    assert found.track.state == "jumped"
    assert found.read(4, 5.0) is None
    assert found.track.state == "settled"


def test_pumping_at_one_and_a_half_times_the_greatest_rate_is_plausible() -> None:
    assert Following(settled().track).read(60, 5.0 + 0.099) is None
    assert Following(settled().track).read(60, 5.0 + 0.120) is not None


def test_falling_is_judged_by_the_outflow_and_rising_by_the_inflow() -> None:
    only_out = LevelLimits(None, PUMP_M3_S, 0.001)
    assert only_out.fault(at(0, 5.0), at(60, 4.5)) is not None
    assert only_out.fault(at(0, 5.0), at(60, 5.5)) is None
    assert LevelLimits(PUMP_M3_S, None, 0.001).fault(at(0, 5.0), at(60, 4.5)) is None


def test_one_digit_of_the_instrument_is_no_flood() -> None:
    tiny = LevelLimits(0.1 / 3600.0, 0.1 / 3600.0, 0.001)
    assert tiny.fault(at(0, 5.0), at(60, 5.001)) is None
    assert tiny.fault(at(0, 5.0), at(60, 5.0012)) is not None


def test_after_an_outage_the_change_is_spread_over_the_outage() -> None:
    """An hour at 600 m3/h is 6 m: what was moved while nobody looked is no jump."""
    assert settled().read(3600, 8.9) is None


def test_a_gauge_read_once_in_ten_minutes_is_judged_over_the_ten_minutes() -> None:
    """400 m3/h make 667 mm between two readings; taken over the last minute, as sheets in between would have it, that
    were 4000 m3/h."""
    found = Following()
    level_m = 1.0
    for poll in range(10):
        for _ in range(5):
            # The same reading, seen by five sheets.
            assert found.read(600.0 * poll, level_m) is None
        level_m += 400.0 / 6.0 / 100.0


def test_a_clock_set_back_judges_nothing_and_starts_afresh() -> None:
    found = settled()
    assert found.read(-90_000, 9.0) is None
    assert found.track == Track((at(-90_000, 9.0),), -90_000)


def test_a_reading_seen_before_changes_nothing() -> None:
    found = settled()
    found.read(2, 5.5)
    before = found.track
    assert found.read(2, 5.5) is not None
    assert found.track == before
    found.read(4, 5.0)
    before = found.track
    assert found.read(4.0 - 1e-9, 5.0) is None
    assert found.track == before


def test_a_false_first_reading_is_no_base_to_judge_others_by() -> None:
    """0.000 at the start, then 8 m: pumps would need 80 min for it, and for so long it had been doubted."""
    found = Following()
    assert found.read(0, 0.0) is None
    assert found.track.state is TrackState.NEW
    doubted = found.stand(2, 300, 8.0, every_s=2)
    assert doubted == [True] * 30 + [False] * 119, "from 2 s until it has stood for a minute"
    assert found.read(302, 0.0) is not None, "and now it is the false one that is doubted"


def test_a_level_that_nothing_has_confirmed_yields_to_one_that_stands_longer() -> None:
    found = Following()
    found.stand(0, 121, 0.0)
    doubted = found.stand(130, 400, 8.0)
    assert doubted == [True] * 12 + [False] * 15, "it stood for 120 s, and so long must the other stand"


def test_a_level_that_stood_for_five_minutes_yields_to_a_pump_alone() -> None:
    """3 m are 300 m3, and 600 m3/h need half an hour; a day is the end of it in any case."""
    doubted = settled().stand(10, 3600, 8.0)
    assert 1780 <= doubted.index(False) * 10 + 10 <= 1800
    assert not any(doubted[doubted.index(False) :])
    slow = Following(settled().track, LevelLimits(0.1 / 3600, 0.1 / 3600, 0.001))
    hours = [slow.read(3600.0 * hour, 8.0) is not None for hour in range(1, 30)]
    assert hours == [True] * 24 + [False] * 5


def test_a_level_that_a_settled_witness_bears_out_is_believed_at_once() -> None:
    found = settled()
    assert found.read(2, 8.0) is not None
    assert found.read(4, 8.0, borne_out=True) is None
    assert found.track.state is TrackState.NEW
    assert found.read(6, 8.0) is None


def test_readings_that_contradict_each_other_bear_nothing_out() -> None:
    """A gauge gone mad: each reading is a rival of its own, and none of them ever stands. 2 m would take 20 min."""
    found = settled()
    levels = [8.0, 1.0, 3.0]
    assert all(found.read(10 + 10 * index, levels[index % 3]) is not None for index in range(110))


def test_the_doubt_about_a_small_jump_ends_with_the_time_a_pump_needs() -> None:
    """150 mm are 15 m3, less one step 14.9: 89.4 s at 600 m3/h from the last reading of before."""
    doubted = settled().stand(2, 120, 5.15, every_s=2)
    assert doubted.index(False) * 2 + 2 == 90
    assert not any(doubted[doubted.index(False) :])


@given(st.lists(st.floats(0.2, 90.0), min_size=1, max_size=200))
def test_the_window_stays_short_and_always_spans_a_minute_once_it_can(steps_s: list[float]) -> None:
    found = Following()
    now_s = 0.0
    for step_s in steps_s:
        now_s += step_s
        assert found.read(now_s, 5.0) is None
    samples = found.track.samples
    assert len(samples) <= 9
    assert list(samples) == sorted(samples)
    if now_s - steps_s[0] >= 100.0:
        assert now_s - samples[0].time_s >= 60.0


@given(
    flow_m3_h=st.floats(-400.0, 400.0),
    period_s=st.sampled_from([0.5, 2.0, 10.0, 60.0, 300.0]),
    step_mm=st.sampled_from([0, 1, 5]),
    turns=st.integers(5, 60),
)
def test_whatever_the_pumps_do_within_their_rate_is_never_doubted(
    flow_m3_h: float, period_s: float, step_mm: int, turns: int
) -> None:
    found = Following(limits=LevelLimits(PUMP_M3_S, PUMP_M3_S, max(0.001, step_mm / 1000.0)))
    level_m = 20.0
    for index in range(120):
        level_m += (flow_m3_h if index % (2 * turns) < turns else -flow_m3_h) / 3600.0 * period_s / 100.0
        shown_m = round(level_m * 1000.0 / step_mm) * step_mm / 1000.0 if step_mm else level_m
        assert found.read(index * period_s, shown_m) is None


@given(
    levels=st.lists(st.floats(0.0, 10.0), min_size=1, max_size=40),
    period_s=st.sampled_from([2.0, 10.0, 60.0]),
    true_m=st.floats(0.0, 10.0),
)
def test_whatever_came_before_a_level_that_stays_is_believed_in_bounded_time(
    levels: list[float], period_s: float, true_m: float
) -> None:
    """10 m are 1000 m3: 100 min at 600 m3/h, and a minute for the window."""
    found = Following()
    for index, level_m in enumerate(levels):
        found.read(index * period_s, level_m)
    start_s = len(levels) * period_s
    doubted = [found.read(start_s + 60.0 * minute, true_m) is not None for minute in range(300)]
    assert not any(doubted[102:])
    assert doubted == sorted(doubted, reverse=True), "it ends once"


def test_temperature_may_not_change_by_more_than_2_degc_a_minute() -> None:
    limits, base = TemperatureLimits(), Sample(0.0, 15.0)
    assert limits.fault(base, Sample(30.0, 17.0)) is None
    assert limits.fault(base, Sample(600.0, 25.0)) is None
    fault = limits.fault(base, Sample(30.0, 17.2))
    assert fault is not None
    assert fault.text == ("temperature changed from 15.0 degC by 2.2 degC within 30 s, faster than 2 degC a minute")


def test_the_speed_is_that_of_the_last_minute() -> None:
    assert speed_m_s(NO_TRACK, at(0, 5.0)) == 0.0
    assert speed_m_s(settled().track, at(60, 5.03)) == pytest.approx(0.03 / 60.0)


def test_beyond_its_volumes_a_tank_goes_on_with_the_surface_at_their_end() -> None:
    plan = straight_plan(capacity=StraightTank(heel_m3=4.0))
    assert [volume_near(plan, level_m) for level_m in (-0.02, 0.0, 5.0, 10.0, 10.4)] == pytest.approx(
        [2.0, 4.0, 504.0, 1004.0, 1044.0]
    )


def test_a_round_end_has_the_surface_of_a_twentieth_of_the_height() -> None:
    """A sphere of 16 m: the cap of 0.8 m holds pi h^2 (R - h/3) = 15.55 m3, 19.4 m2 on average."""
    plan: TankPlan = straight_plan(
        capacity=Sphere(16.0), reference_height_m=17.0, temperature=straight_plan().temperature
    )
    assert plan.top_area_m2 == pytest.approx(3.14159265 * 0.8**2 * (8.0 - 0.8 / 3) / 0.8, rel=1e-6)
    assert plan.bottom_area_m2 == pytest.approx(plan.top_area_m2)


@given(st.floats(-0.5, 12.0), st.floats(-0.5, 12.0))
def test_no_jump_beyond_the_table_escapes(before_m: float, now_m: float) -> None:
    """Whichever of the two levels has no volume: more than 100 mm, and a step, within a minute is no pump's work."""
    plan = straight_plan(reference_height_m=13.0)
    base = Sample(0.0, before_m, volume_near(plan, before_m))
    fault = LIMITS.fault(base, Sample(60.0, now_m, volume_near(plan, now_m)))
    assert (fault is not None) is (abs(now_m - before_m) > 0.101 + 1e-9) or abs(abs(now_m - before_m) - 0.101) < 1e-9
