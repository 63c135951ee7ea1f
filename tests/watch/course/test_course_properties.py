"""Whatever a tank does, whatever its gauge says and however often the gateway begins anew: no rate that is none, no
time that cannot be, no finding where nothing has moved.

The tank holds 100 m3 a metre; its gauge has 0.5 mm of noise and steps of 1 mm and is read every 10 s.
"""

import math
from bisect import bisect_right
from datetime import timedelta
from typing import NamedTuple

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.records import Quality, ReasonCode
from gateway.tank_state import AlarmKind, Motion
from tests.support.plans import bad, straight_plan
from tests.watch.course.life import Life, Told, doubted

AREA_M2 = 100.0
LIMITS_M = {"minimum": 1.0, "maximum_working": 9.0, "high_high": 9.3, "critical_high": 9.6}
SURE = 6.0
"""Standard deviations that a slope may err by."""


class Act(NamedTuple):
    """What goes on for some readings."""

    kind: str
    readings: int = 1
    value: float = 0.0


FLOWS_M3_H = st.sampled_from([0.0, 0.0, 1.0, -1.0, 10.0, 60.0, -300.0, 300.0])
FLOWS = st.builds(Act, st.just("flow"), st.integers(1, 45), FLOWS_M3_H)
MISSING = st.builds(Act, st.sampled_from(["bad", "uncertain", "silent"]), st.integers(1, 25))
SPIKES = st.builds(Act, st.just("spike"), st.integers(1, 2), st.sampled_from([-0.5, -0.02, 0.01, 0.3]))
PAUSES_S = st.sampled_from([1.0, 20.0, 400.0, 1e5])
RESTARTS = st.builds(
    Act,
    st.sampled_from(["restart", "restart after an unknown pause"]),
    st.just(1),
    PAUSES_S,
)
CLOCKS = st.builds(Act, st.just("clock"), st.just(1), st.sampled_from([-1e5, -3600.0, -2.0, 2.0, 3600.0, 1e7]))


class World:
    """The tank as it is, beside what is told of it."""

    def __init__(self, seed: int, period_s: float = 10.0) -> None:
        self.life = Life(straight_plan(), density=800.0, noise_m=0.0005, period_s=period_s, seed=seed)
        self.level_m = 5.0
        self.flow_m3_h = 0.0
        self.changes = [(0.0, 0.0)]
        """(second, m3/h from then on)."""

    def play(self, act: Act) -> list[Told]:
        life, before = self.life, len(self.life.told)
        if act.kind == "clock":
            life.utc_off_s += act.value
        elif act.kind.startswith("restart"):
            # What flows in a pause comes to no end of the tank.
            passed_s = min(act.value, 400.0) if self.flow_m3_h else act.value
            life.restart(passed_s, is_known=act.kind == "restart", steady_s=7.0)
            self._flow(passed_s)
        elif act.kind == "flow":
            # Back from where it comes near an end.
            up = -1.0 if self.level_m > 7.0 else 1.0 if self.level_m < 3.0 else math.copysign(1.0, act.value)
            self.flow_m3_h = abs(act.value) * up
            self.changes.append((life.second, self.flow_m3_h))
            self._read(act)
        else:
            self._read(act)
        return life.told[before:]

    def _read(self, act: Act) -> None:
        life = self.life
        for _ in range(act.readings):
            life.later()
            self._flow(life.period_s)
            if act.kind == "bad":
                life.look(bad(ReasonCode.NO_ANSWER))
            elif act.kind == "uncertain":
                life.look(doubted(self.level_m))
            elif act.kind == "silent":
                last = next(
                    (each for each in reversed(life.told) if each.inventory.figures.level.value is not None), None
                )
                if last is not None:
                    level_m = last.inventory.figures.level.value
                    assert level_m is not None
                    age_s = last.inventory.figures.level.age_s + life.second - last.second
                    life.look(doubted(level_m, ReasonCode.OVERDUE)._replace(age_s=age_s))
            else:
                life.look(self.level_m + (act.value if act.kind == "spike" else 0.0))
        if act.kind == "spike":
            # More than two in a window are no spike: they can look like a slope.
            self._read(Act("after", round(300.0 / life.period_s)))

    def _look_again(self) -> None:
        """At the last reading, which is as old as it is."""
        life = self.life
        for last in reversed(life.told):
            level = last.inventory.figures.level
            if level.value is not None:
                age_s = level.age_s + life.second - last.second
                life.look(doubted(level.value, ReasonCode.OVERDUE)._replace(age_s=age_s))
                return

    def _flow(self, seconds: float) -> None:
        self.level_m += self.flow_m3_h / 3600.0 / AREA_M2 * seconds

    def flows(self, from_s: float, to_s: float) -> list[float]:
        """Each flow that there was in a time, m3/h."""
        first = bisect_right(self.changes, (from_s, math.inf)) - 1
        return [flow for second, flow in self.changes[max(first, 0) :] if second <= to_s]


REST = st.builds(Act, st.just("rest"), st.integers(1, 60))
MOVES = st.one_of(FLOWS, FLOWS, FLOWS, MISSING, SPIKES, RESTARTS, CLOCKS)
STANDS = st.one_of(MISSING, MISSING, SPIKES, RESTARTS, CLOCKS, REST, REST)
BETWEEN = st.one_of(MISSING, RESTARTS, CLOCKS, REST)


@settings(max_examples=40)
@given(st.lists(MOVES, min_size=1, max_size=10), st.integers(0, 99))
def test_no_rate_is_told_that_there_is_none_of_and_no_time_that_cannot_be(acts: list[Act], seed: int) -> None:
    world = World(seed)
    for act in acts:
        for told in world.play(act):
            course = told.course
            for rate in (course.rate, course.level_rate):
                assert (rate.value is None) is (rate.quality is Quality.BAD)
                assert rate.quality is Quality.GOOD or rate.reasons
            assert course.times == () or course.motion in (Motion.FILLING, Motion.EMPTYING)
            instant = told.inventory.instant
            for each in course.times:
                assert 0.0 <= each.in_s < math.inf
                assert each.level_m == LIMITS_M[each.limit]
                assert each.at - instant == timedelta(seconds=each.in_s)
            assert [each.in_s for each in course.times] == sorted(each.in_s for each in course.times)
            if course.since is not None:
                assert course.since <= instant + timedelta(seconds=1)
        if not world.life.told:
            continue
        told, window = world.life.told[-1], world.life.course_memory.window
        net = told.course.rate.value
        if net is None or told.second != world.life.second:
            continue
        times = window.readings.times
        # By the story's own clock.
        now_s = world.life.steady_off_s + world.life.second
        flows = world.flows(told.second - (now_s - times[0]) - 10.0, told.second)
        least, most = min(flows) / 3600.0, max(flows) / 3600.0
        err = SURE * window.line.noise_m_s * AREA_M2
        assert least - err <= net <= most + err
        if told.course.rate.quality is Quality.GOOD and abs(sum(flows)) / len(flows) >= 60.0 and len(set(flows)) == 1:
            assert told.course.motion is (Motion.FILLING if flows[0] > 0.0 else Motion.EMPTYING)


@settings(max_examples=40)
@given(st.lists(STANDS, max_size=12), st.integers(0, 99))
def test_nothing_is_found_in_a_tank_in_which_nothing_moves(acts: list[Act], seed: int) -> None:
    world = World(seed, period_s=30.0)
    for act in (Act("rest", 100), *acts):
        for told in world.play(act):
            assert told.course.findings == {}, act
            assert told.course.motion in (Motion.AT_REST, Motion.UNKNOWN)
            assert told.course.activity == ""


@settings(max_examples=25)
@given(st.lists(BETWEEN, max_size=5), st.sampled_from([-3.0, 3.0]), st.integers(0, 99))
def test_whatever_comes_between_a_slow_movement_of_a_tank_that_was_at_rest_is_found(
    acts: list[Act], flow_m3_h: float, seed: int
) -> None:
    """3 m3/h are 5 mm after ten minutes; the reference outlives all of it."""
    world = World(seed, period_s=30.0)
    world.play(Act("rest", 110))
    world.flow_m3_h = flow_m3_h
    for act in acts:
        world.play(act)
    world.play(Act("rest", 50))
    assert AlarmKind.UNSCHEDULED_MOVEMENT in world.life.told[-1].course.findings
