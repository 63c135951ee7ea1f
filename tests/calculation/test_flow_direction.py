"""A level that moves against what surely flows is doubted, and one that follows it never is.

The tank holds 100 m3 per metre: 200 m3/h move it by 33 mm a minute.
"""

from datetime import timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.doubts.flow_direction import Course, CourseState
from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.calculation.plan import FlowPlan, GaugeKind, GaugePlan, TankPlan
from gateway.records import Figures, Input, Quality, ReasonCode
from tests.support.plans import NOON, bad, good, straight_input, straight_plan

METER_IN = FlowPlan("FT-1.flow", into=True)
METER_OUT = FlowPlan("FT-2.flow", into=False)
PUMP_OUT = FlowPlan("P-1.runs", into=False, rate_m3_s=60.0 / 3600.0)


def per_hour(flow_m3_h: float) -> Input:
    return good(flow_m3_h / 3600.0)


class Run:
    """Sheets of one tank whose gauge shows whole millimetres."""

    def __init__(self, *flows: FlowPlan, level_m: float = 6.0, **changes: object) -> None:
        self.plan: TankPlan = straight_plan(flows=flows, **changes)
        self.memory: Memory = EMPTY_MEMORY
        self.now_s = 0.0
        self.level_m = level_m

    @property
    def course(self) -> Course:
        course = self.memory.doubts.course
        assert course is not None
        return course

    def look(self, level: Input | None = None, *flows: Input, second: float | None = None) -> Figures:
        given = straight_input()._replace(
            level=level or good(round(self.level_m, 3)),
            second_level=None if second is None else good(second),
            instant=NOON + timedelta(seconds=self.now_s),
            steady_s=1000.0 + self.now_s,
            flows=flows,
        )
        inventory, self.memory = calculate(self.plan, given, self.memory)
        return inventory.figures

    def move(self, seconds: float, m3_h: float, *flows: Input, step_s: float = 10.0) -> list[Figures]:
        """Sheets while the level moves by `m3_h`, whatever the flows say."""
        found = []
        for _ in range(round(seconds / step_s)):
            self.now_s += step_s
            self.level_m += m3_h / 3600.0 * step_s / 100.0
            found.append(self.look(None, *flows))
        return found


def codes(figures: Figures) -> list[ReasonCode]:
    return [reason.code for reason in figures.level.reasons]


def test_a_fill_that_looks_like_a_drain_is_doubted_after_five_minutes() -> None:
    """Ullage read as innage: 200 m3/h flow in, and the level falls by as much."""
    run = Run(METER_IN)
    figures = run.move(600, -200, per_hour(200))
    doubted = [index * 10 for index, each in enumerate(figures) if codes(each)]
    assert doubted[0] == 300, "ten seconds after the first reading, from when on a flow is known, and five minutes"
    assert codes(figures[-1]) == [ReasonCode.LEVEL_AGAINST_FLOW]
    assert run.course.state is CourseState.AGAINST
    assert figures[-1].level.reasons[0].text == (
        "level moves against the flow: by FT-1.flow liquid flowed in for 10 min, due to raise it by 328 mm, and it "
        "fell by 327 mm; see whether ullage and innage are the right way round and where the liquid goes, and dip"
    )
    assert {figures[-1].tov.quality, figures[-1].mass.quality, figures[-1].room.quality} == {Quality.UNCERTAIN}


def test_a_drain_that_looks_like_a_fill_is_doubted_too() -> None:
    run = Run(PUMP_OUT)
    figures = run.move(600, 60, good(1.0))
    assert codes(figures[-1]) == [ReasonCode.LEVEL_AGAINST_FLOW]
    assert "liquid flowed out for 10 min, due to lower it by 98 mm, and it rose by 98 mm" in (
        figures[-1].level.reasons[0].text
    )


def test_it_is_still_doubted_after_the_flow_and_while_the_gauge_is_lost_until_it_follows_a_flow() -> None:
    run = Run(METER_IN)
    run.move(600, -200, per_hour(200))
    assert codes(run.move(3600, 0, per_hour(0))[-1]) == [ReasonCode.LEVEL_AGAINST_FLOW]
    for _ in range(20):
        run.now_s += 10.0
        run.look(bad(), per_hour(0))
    assert codes(run.look(None, per_hour(0))) == [ReasonCode.LEVEL_AGAINST_FLOW]
    figures = run.move(120, 200, per_hour(200))
    assert codes(figures[0]) == [ReasonCode.LEVEL_AGAINST_FLOW]
    assert codes(figures[-1]) == [], "borne out by more than 5 mm"


def test_a_second_gauge_that_agrees_at_rest_ends_the_doubt() -> None:
    run = Run(METER_IN, second_gauge=GaugePlan(GaugeKind.INNAGE))
    run.move(600, -200, per_hour(200))
    level_m = round(run.level_m, 3)
    run.now_s += 10.0
    assert ReasonCode.LEVEL_AGAINST_FLOW in codes(run.look(None, per_hour(200), second=level_m)), "not while it flows"
    run.now_s += 10.0
    assert ReasonCode.LEVEL_AGAINST_FLOW in codes(run.look(None, per_hour(0), second=level_m + 0.1))
    run.now_s += 10.0
    assert codes(run.look(None, per_hour(0), second=level_m)) == []


def test_what_flows_out_beside_it_explains_a_level_that_falls() -> None:
    run = Run(METER_IN, METER_OUT)
    assert not any(map(codes, run.move(3600, -100, per_hour(100), per_hour(200))))
    pump = Run(METER_IN, PUMP_OUT)
    assert not any(map(codes, pump.move(3600, -100, per_hour(100), good(1.0)))), "at least so much flows out, or more"


def test_a_meter_that_is_not_read_explains_nothing_and_blames_nobody() -> None:
    run = Run(METER_IN)
    assert not any(map(codes, run.move(3600, -50, bad())))


def test_one_look_at_a_level_that_is_off_is_no_movement() -> None:
    """35 mm lower for one poll, less than a pump could move in a minute, after half an hour of flow in."""
    run = Run(METER_IN)
    run.move(1800, 0.0, per_hour(30))
    run.now_s += 10.0
    off = good(round(run.level_m - 0.035, 3))
    assert ReasonCode.LEVEL_AGAINST_FLOW not in codes(run.look(off, per_hour(30)))
    run.now_s += 10.0
    assert ReasonCode.LEVEL_AGAINST_FLOW not in codes(run.look(None, per_hour(30)))


def test_a_tank_that_cools_by_three_degrees_an_hour_is_not_against_a_trickle() -> None:
    """9 m of liquid shrink by 27 mm an hour while 1 m3/h, 10 mm an hour, flows in: the level falls by 17 mm an hour."""
    run = Run(METER_IN, level_m=9.0)
    assert not any(ReasonCode.LEVEL_AGAINST_FLOW in codes(each) for each in run.move(4 * 3600, -1.7, per_hour(1.0)))


def test_a_level_that_its_own_past_doubts_proves_nothing() -> None:
    """A false echo 2 m down, for ten minutes of filling."""
    pumps = {"maximum_flow_in_m3_s": 250.0 / 3600.0, "maximum_flow_out_m3_s": 250.0 / 3600.0}
    run = Run(METER_IN, **pumps)
    run.move(600, 200, per_hour(200))
    run.level_m -= 2.0
    for each in run.move(600, 200, per_hour(200)):
        assert codes(each) == [ReasonCode.RATE_IMPLAUSIBLE]
    run.level_m += 2.0
    assert codes(run.move(10, 200, per_hour(200))[0]) == []


@given(
    flow_m3_h=st.floats(-2000.0, 2000.0),
    step_mm=st.sampled_from([1, 2, 5, 20]),
    period_s=st.sampled_from([2.0, 10.0, 60.0]),
    ripple_mm=st.lists(st.integers(-1, 1), min_size=120, max_size=120),
)
def test_whatever_flows_a_level_that_follows_is_not_doubted(
    flow_m3_h: float, step_mm: int, period_s: float, ripple_mm: list[int]
) -> None:
    """The gauge shows whole steps, the surface ripples by one of them, and the flow turns now and then."""
    run = Run(METER_IN, gauge=GaugePlan(GaugeKind.INNAGE, resolution_m=step_mm / 1000.0))
    level_m = 5.0
    for index, ripple in enumerate(ripple_mm):
        flow = per_hour(flow_m3_h if index % 40 < 25 else -flow_m3_h)
        level_m = min(max(level_m + (flow.value or 0.0) * period_s / 100.0, 1.0), 9.0)
        run.now_s += period_s
        shown_m = (round(level_m * 1000.0 / step_mm) + ripple) * step_mm / 1000.0
        if 1.0 < level_m < 9.0:
            assert ReasonCode.LEVEL_AGAINST_FLOW not in codes(run.look(good(shown_m), flow))


@pytest.mark.parametrize("period_s", [2.0, 60.0])
@given(turns=st.lists(st.tuples(st.sampled_from([-200.0, 0.0, 200.0]), st.booleans()), min_size=10, max_size=30))
def test_whatever_flows_its_quality_changes_once_in_ten_readings_at_most(
    period_s: float, turns: list[tuple[float, bool]]
) -> None:
    """Eight readings at a time with the flow or against it."""
    run = Run(METER_IN)
    qualities = []
    for flow_m3_h, is_against in turns:
        for _ in range(8):
            moved = (-flow_m3_h if is_against else flow_m3_h) if 2.0 < run.level_m < 8.0 else 6.0 - run.level_m
            (figures,) = run.move(period_s, moved, per_hour(flow_m3_h), step_s=period_s)
            qualities.append(figures.level.quality)
    assert sum(before is not now for before, now in pairwise(qualities)) <= 4 * -(-len(qualities) // 40)
