"""A level that stands still while liquid flows is doubted; one that stands still at rest is not.

The tank holds 100 m3 per metre, so 5 mm are 0.5 m3. Figures of the first test: a transfer at 200 m3/h and a level
frozen for 5 minutes (common practice).
"""

from collections.abc import Iterator
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.calculation.plan import FlowPlan, GaugeKind, GaugePlan, HeadPlan, TankPlan
from gateway.records import Figures, Input, Quality, ReasonCode
from tests.support.plans import NOON, bad, good, straight_input, straight_plan

METER_IN = FlowPlan("FT-1.flow", into=True)
METER_OUT = FlowPlan("FT-2.flow", into=False)
PUMP_OUT = FlowPlan("P-1.runs", into=False, rate_m3_s=60.0 / 3600.0)
PUMP_IN = FlowPlan("P-2.runs", into=True, rate_m3_s=60.0 / 3600.0)


def per_hour(flow_m3_h: float, age_s: float = 1.0) -> Input:
    return good(flow_m3_h / 3600.0, age_s)


class Run:
    """Sheets of one tank, one after another."""

    def __init__(self, *flows: FlowPlan, **changes: object) -> None:
        self.plan: TankPlan = straight_plan(flows=flows, **changes)
        self.memory: Memory = EMPTY_MEMORY
        self.now_s = 0.0

    def look(
        self,
        level: float | Input | None,
        *flows: Input,
        second_level: float | None = None,
        bottom_pressure: float | None = None,
        elements: tuple[float, ...] | None = None,
    ) -> Figures:
        given = straight_input()._replace(
            level=good(level) if isinstance(level, float) else level,
            instant=NOON + timedelta(seconds=self.now_s),
            steady_s=1000.0 + self.now_s,
            flows=flows,
        )
        if elements is not None:
            given = given._replace(elements=tuple(good(each) for each in elements))
        if second_level is not None:
            given = given._replace(second_level=good(second_level))
        if bottom_pressure is not None:
            given = given._replace(bottom_pressure=good(bottom_pressure))
        inventory, self.memory = calculate(self.plan, given, self.memory)
        return inventory.figures

    def stand(
        self, seconds: float, level: float | Input, *flows: Input, second_level: float | None = None
    ) -> Iterator[Figures]:
        """Sheets every 10 s for so long."""
        for _ in range(round(seconds / 10.0)):
            self.now_s += 10.0
            yield self.look(level, *flows, second_level=second_level)

    def last(self, seconds: float, level: float | Input, *flows: Input, second_level: float | None = None) -> Figures:
        return list(self.stand(seconds, level, *flows, second_level=second_level))[-1]


def codes(figures: Figures) -> list[ReasonCode]:
    return [reason.code for reason in figures.level.reasons]


def test_a_level_frozen_for_5_minutes_at_200_m3_h_is_doubted_and_all_that_rests_on_it() -> None:
    run = Run(METER_IN)
    figures = list(run.stand(400, 6.0, per_hour(200)))
    doubted = [index * 10 for index, each in enumerate(figures) if each.level.quality is Quality.UNCERTAIN]
    assert doubted[0] == 300
    last = figures[-1]
    assert codes(last) == [ReasonCode.LEVEL_FROZEN]
    assert last.level.value == 6.0, "still shown: it may be right"
    assert {last.tov.quality, last.gov.quality, last.mass.quality, last.room.quality} == {Quality.UNCERTAIN}
    assert last.liquid_temperature.quality is Quality.UNCERTAIN, "which elements are submerged follows from the level"
    assert last.level.reasons[0].text == (
        "level stands still: by FT-1.flow liquid has flowed in for 6 min, 217 mm were due; "
        "the gauge is stuck or nothing flows: dip"
    )


def test_a_quiet_tank_frozen_all_night_is_not_doubted() -> None:
    run = Run(METER_IN, PUMP_OUT)
    assert {each.level.quality for each in run.stand(12 * 3600, 6.0, per_hour(0), good(0.0))} == {Quality.GOOD}


def test_a_tank_without_anything_that_tells_of_flow_is_not_doubted() -> None:
    run = Run()
    assert run.last(12 * 3600, 6.0).level.quality is Quality.GOOD
    assert run.memory.doubts.still is None


def test_the_zero_error_of_a_meter_is_no_flow() -> None:
    """0.4 m3/h would take over an hour for 5 mm; 0.6 m3/h would not."""
    quiet = Run(METER_IN)
    assert quiet.last(12 * 3600, 6.0, per_hour(0.4)).level.quality is Quality.GOOD
    slow = Run(METER_IN)
    assert slow.last(2 * 3600, 6.0, per_hour(0.6)).level.quality is Quality.UNCERTAIN


def test_a_level_that_follows_the_flow_is_not_doubted() -> None:
    run = Run(METER_IN)
    level_m = 5.0
    for _ in range(200):
        run.now_s += 10.0
        # The gauge shows whole millimetres.
        assert run.look(round(level_m, 3), per_hour(20)).level.quality is Quality.GOOD
        level_m += 20.0 / 3600.0 * 10.0 / 100.0


@given(
    flow_m3_h=st.floats(-2000.0, 2000.0),
    step_mm=st.sampled_from([1, 2, 5, 20]),
    start_m=st.floats(3.0, 7.0),
    period_s=st.sampled_from([2.0, 10.0, 60.0]),
)
def test_whatever_flows_a_level_that_follows_is_not_doubted(
    flow_m3_h: float, step_mm: int, start_m: float, period_s: float
) -> None:
    """The gauge shows whole steps, and the flow changes its direction now and then."""
    run = Run(METER_IN, gauge=GaugePlan(GaugeKind.INNAGE, resolution_m=step_mm / 1000.0))
    level_m = start_m
    for index in range(120):
        flow = per_hour(flow_m3_h if index % 40 < 25 else -flow_m3_h)
        level_m = min(max(level_m + (flow.value or 0.0) * period_s / 100.0, 1.0), 9.0)
        run.now_s += period_s
        shown_m = round(level_m * 1000.0 / step_mm) * step_mm / 1000.0
        if 1.0 < level_m < 9.0:
            assert ReasonCode.LEVEL_FROZEN not in codes(run.look(shown_m, flow))


def test_one_digit_of_the_gauge_is_no_movement() -> None:
    run = Run(METER_IN)
    figures = run.look(6.0, per_hour(200))
    for index in range(60):
        run.now_s += 10.0
        figures = run.look(6.0 + 0.001 * (index % 2), per_hour(200))
    assert codes(figures) == [ReasonCode.LEVEL_FROZEN]


def test_a_coarse_gauge_has_four_of_its_steps() -> None:
    """Steps of 20 mm: 80 mm are due first, 144 s at 200 m3/h, or 48 min at 10 m3/h."""
    run = Run(METER_IN, gauge=GaugePlan(GaugeKind.INNAGE, resolution_m=0.020))
    assert run.last(2880, 6.0, per_hour(10)).level.quality is Quality.GOOD
    assert run.last(60, 6.0, per_hour(10)).level.quality is Quality.UNCERTAIN


def test_a_frozen_level_stays_doubted_after_the_flow_until_it_moves() -> None:
    run = Run(METER_IN)
    run.last(400, 6.0, per_hour(200))
    still_told = run.last(8 * 3600, 6.0, per_hour(0))
    assert codes(still_told) == [ReasonCode.LEVEL_FROZEN], "it is wrong by what was pumped"
    assert run.last(10, 6.0, bad()).level.quality is Quality.UNCERTAIN, "nor does a lost meter end it"
    assert run.last(10, 6.3, per_hour(0)).level.quality is Quality.GOOD


def test_a_gauge_that_was_stuck_is_not_believed_when_as_much_has_flowed_out_again() -> None:
    run = Run(METER_IN)
    run.last(400, 6.0, per_hour(200))
    assert run.last(400, 6.0, per_hour(-200)).level.quality is Quality.UNCERTAIN


def test_a_second_gauge_that_agrees_at_rest_ends_the_doubt() -> None:
    run = Run(METER_IN, second_gauge=GaugePlan(GaugeKind.INNAGE))
    assert ReasonCode.LEVEL_FROZEN in codes(run.last(400, 6.0, per_hour(200), second_level=6.0))
    assert ReasonCode.LEVEL_FROZEN in codes(run.last(10, 6.0, per_hour(0), second_level=6.2))
    # The first step of the level that agrees is enough; the next 400 s of flow begin a new doubt.
    assert run.last(10, 6.0, per_hour(0), second_level=6.004).level.quality is Quality.GOOD
    assert ReasonCode.LEVEL_FROZEN in codes(run.last(400, 6.0, per_hour(200), second_level=6.004))


def test_what_flows_in_and_out_again_is_not_due() -> None:
    run = Run(METER_IN, METER_OUT)
    assert run.last(3600, 6.0, per_hour(200), per_hour(200)).level.quality is Quality.GOOD
    assert run.last(400, 6.0, per_hour(200), per_hour(80)).level.quality is Quality.UNCERTAIN


def test_a_meter_that_counts_backwards_has_the_other_direction() -> None:
    run = Run(METER_IN)
    figures = run.last(400, 6.0, per_hour(-200))
    assert "liquid has flowed out" in figures.level.reasons[0].text


@pytest.mark.parametrize(("flowing_when", "flows", "rests"), [(True, 1.0, 0.0), (False, 0.0, 1.0)])
def test_a_contact_stands_for_the_least_that_flows(flowing_when: bool, flows: float, rests: float) -> None:
    pump = FlowPlan("P-1.runs", into=False, rate_m3_s=60.0 / 3600.0, flowing_when=flowing_when)
    run = Run(pump)
    assert run.last(3600, 6.0, good(rests)).level.quality is Quality.GOOD
    figures = run.last(400, 6.0, good(flows))
    assert codes(figures) == [ReasonCode.LEVEL_FROZEN]
    # The flow between the last look at rest and the first look at flow is left out: 390 s at 60 m3/h are 6.5 m3.
    assert "liquid has flowed out for 6 min, 65 mm were due" in figures.level.reasons[0].text


def test_pumps_in_both_directions_say_nothing_of_the_sum() -> None:
    """Each contact says at least so much: together they may cancel out."""
    run = Run(PUMP_IN, PUMP_OUT)
    assert run.last(3600, 6.0, good(1.0), good(1.0)).level.quality is Quality.GOOD
    assert run.last(400, 6.0, good(1.0), good(0.0)).level.quality is Quality.UNCERTAIN


def test_a_meter_that_is_not_read_begins_the_time_afresh() -> None:
    run = Run(METER_IN)
    run.last(290, 6.0, per_hour(200))
    run.last(10, 6.0, bad())
    assert run.last(300, 6.0, per_hour(200)).level.quality is Quality.GOOD
    assert run.last(20, 6.0, per_hour(200)).level.quality is Quality.UNCERTAIN


def test_a_gauge_that_is_not_read_is_not_frozen() -> None:
    """The same old reading, older at each sheet: it says nothing new, and no doubt is due to it."""
    run = Run(METER_IN)
    run.last(100, 6.0, per_hour(200))
    for age_s in range(10, 600, 10):
        run.now_s += 10.0
        assert run.look(good(6.0, age_s), per_hour(200)).level.quality is Quality.GOOD


def test_after_a_gap_no_more_than_a_minute_of_flow_is_counted() -> None:
    run = Run(METER_IN)
    run.last(10, 6.0, per_hour(6))
    run.now_s += 7200.0
    assert run.look(6.0, per_hour(6)).level.quality is Quality.GOOD
    assert run.memory.doubts.still is not None
    assert run.memory.doubts.still.due_m3 == pytest.approx(6.0 / 60.0)


def test_a_failed_gauge_is_not_frozen_and_its_stand_in_is_not_judged() -> None:
    run = Run(METER_IN, second_gauge=GaugePlan(GaugeKind.INNAGE))
    figures = run.last(900, bad(), per_hour(200), second_level=6.0)
    assert codes(figures) == [ReasonCode.SECOND_GAUGE_USED, ReasonCode.NO_ANSWER]


def test_rounding_of_ages_does_not_begin_the_time_afresh() -> None:
    """Two sheets from one reading: their difference of time and age differ in the last digits."""
    run = Run(METER_IN)
    for step in range(400):
        run.now_s = step * 0.1 * 10
        run.look(good(6.0, 1e-3), per_hour(200))
        run.now_s += 0.37
        run.look(good(6.0, 0.37 + 1e-3 + 1e-9), per_hour(200))
    assert run.memory.doubts.still is not None
    assert run.memory.doubts.still.flowing_s == pytest.approx(399.0)


def test_a_level_by_pressure_is_judged_by_the_pressure_itself() -> None:
    """Its level moves with the temperature while the transmitter is stuck."""
    run = Run(METER_IN, gauge=HeadPlan(0.0))
    figures = run.look(None, per_hour(200), bottom_pressure=47_000.0)
    for index in range(60):
        run.now_s += 10.0
        elements = (15.0 + 0.2 * (index % 3),) * 4
        figures = run.look(None, per_hour(200), bottom_pressure=47_000.0, elements=elements)
    assert ReasonCode.LEVEL_FROZEN in codes(figures)


def test_a_pressure_that_moves_is_well() -> None:
    run = Run(METER_IN, gauge=HeadPlan(0.0))
    figures = run.look(None, per_hour(9), bottom_pressure=47_000.0)
    for index in range(60):
        run.now_s += 10.0
        pressure = 47_000.0 + 20.0 * index
        figures = run.look(None, per_hour(9), bottom_pressure=pressure)
    assert figures.level.quality is Quality.GOOD


def test_at_the_end_of_the_volumes_nothing_is_judged_and_nothing_fails() -> None:
    run = Run(METER_IN, reference_height_m=10.5)
    assert run.last(900, 10.2, per_hour(200)).level.quality is Quality.GOOD, "beyond the volumes"
    assert run.last(900, 9.999, per_hour(200)).level.quality is Quality.UNCERTAIN, "just inside"
