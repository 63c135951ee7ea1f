"""Two gauges against each other: what proves that they differ, what is remembered, and what ends it."""

from datetime import timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.doubts.two_gauges import Apart, GaugesState, gauges_state, next_apart
from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.calculation.plan import GaugeKind, GaugePlan, TankPlan
from gateway.records import Figures, Input, Inventory, Quality, ReasonCode
from gateway.sources import LevelSource
from tests.support.plans import NOON, bad, good, straight_input, straight_plan

LIMIT_M = 0.010


def compared(*rounds: tuple[float, float | None]) -> list[GaugesState]:
    """The state after each (time_s, difference_m)."""
    apart, states = None, []
    for now_s, difference_m in rounds:
        apart = next_apart(apart, difference_m, LIMIT_M, now_s)
        states.append(gauges_state(apart))
    return states


def differing(from_s: int, to_s: int, by_m: float | None = 0.011) -> list[tuple[float, float | None]]:
    return [(float(now_s), by_m) for now_s in range(from_s, to_s, 10)]


def test_ten_minutes_of_difference_prove_it() -> None:
    states = compared(*differing(0, 700))
    assert states == [GaugesState.APART] * 60 + [GaugesState.PROVEN] * 10


@pytest.mark.parametrize("at_the_limit_m", [0.010, -0.010, 9.412 - 9.402])
def test_at_the_limit_the_two_agree(at_the_limit_m: float) -> None:
    assert compared((0.0, at_the_limit_m)) == [GaugesState.AGREE]


def test_a_single_round_of_agreement_before_it_is_proven_begins_the_time_anew() -> None:
    assert compared(*differing(0, 590), (590.0, 0.009), *differing(600, 1200))[-1] is GaugesState.APART


def test_once_proven_it_ends_at_four_fifths_of_the_limit_and_not_at_its_edge() -> None:
    proven = differing(0, 700)
    assert compared(*proven, (700.0, 0.009))[-1] is GaugesState.PROVEN
    assert compared(*proven, (700.0, 0.008))[-1] is GaugesState.AGREE


def test_a_missing_reading_neither_ends_a_proven_difference_nor_begins_the_time_anew() -> None:
    assert compared(*differing(0, 700), (700.0, None), (710.0, 0.011))[-2:] == [GaugesState.PROVEN] * 2
    assert compared(*differing(0, 500), (500.0, None), *differing(510, 620))[-1] is GaugesState.PROVEN


def test_what_cannot_be_compared_any_more_is_forgotten_in_the_end() -> None:
    """Proven after as long as it took to prove, else after a minute."""
    proven = compared(*differing(0, 700), *differing(700, 1400, None))
    assert proven.index(GaugesState.AGREE) * 10 == 690 + 610
    begun = compared(*differing(0, 300), *differing(300, 400, None))
    assert begun.index(GaugesState.AGREE) * 10 == 290 + 70


def test_a_clock_set_back_begins_anew() -> None:
    assert next_apart(Apart(900.0, 1000.0, 0.011, True), 0.011, LIMIT_M, 700.0) == Apart(700.0, 700.0, 0.011)


def test_what_the_level_may_have_moved_between_two_readings_is_no_difference() -> None:
    assert next_apart(None, 0.025, LIMIT_M, 0.0, moved_m=0.016) is None
    assert next_apart(None, 0.025, LIMIT_M, 0.0, moved_m=0.014) is not None


class Run:
    """Sheets of a tank with two gauges, LT-1 and LT-2, one after another."""

    def __init__(self, **changes: object) -> None:
        gauges: dict[str, object] = {
            "gauge": GaugePlan(GaugeKind.INNAGE, name="LT-1.innage"),
            "second_gauge": GaugePlan(GaugeKind.INNAGE, name="LT-2.innage"),
            "maximum_flow_in_m3_s": 400.0 / 3600.0,
            "maximum_flow_out_m3_s": 400.0 / 3600.0,
        }
        self.plan: TankPlan = straight_plan(**(gauges | changes))
        self.memory: Memory = EMPTY_MEMORY
        self.now_s = 0.0
        self.last: Inventory | None = None

    def look(self, first: float | Input, second: float | Input, step_s: float = 10.0) -> Figures:
        self.now_s += step_s
        given = straight_input()._replace(
            level=good(first) if isinstance(first, float) else first,
            second_level=good(second) if isinstance(second, float) else second,
            instant=NOON + timedelta(seconds=self.now_s),
            steady_s=1000.0 + self.now_s,
        )
        self.last, self.memory = calculate(self.plan, given, self.memory)
        return self.last.figures

    def stand(self, seconds: float, first: float | Input, second: float | Input) -> Figures:
        return [self.look(first, second) for _ in range(round(seconds / 10.0))][-1]


def codes(figures: Figures) -> list[ReasonCode]:
    return [reason.code for reason in figures.level.reasons]


def test_a_disagreement_proven_names_both_gauges_and_outlasts_one_bad_poll_of_either() -> None:
    run = Run()
    figures = run.stand(780, 6.0, 5.963)
    assert figures.level.reasons[0].text == (
        "LT-1.innage and LT-2.innage have differed by over 10 mm for 13 min, now by +37 mm"
    )
    lost = run.look(6.0, bad())
    assert codes(lost) == [ReasonCode.GAUGES_DISAGREE]
    assert lost.level.reasons[0].text.endswith("by +37 mm when last compared, 10 s ago")
    assert codes(run.look(6.0, 5.963)) == [ReasonCode.GAUGES_DISAGREE]
    stood_in = run.look(bad(), 5.963)
    assert codes(stood_in) == [ReasonCode.SECOND_GAUGE_USED, ReasonCode.NO_ANSWER, ReasonCode.GAUGES_DISAGREE]
    assert codes(run.look(6.0, 5.963)) == [ReasonCode.GAUGES_DISAGREE]
    assert codes(run.look(6.0, 5.999)) == [], "borne out"


def test_a_gauge_that_returns_is_judged_by_its_own_past_and_not_by_its_stand_in() -> None:
    """The second gauge reads half a metre less. It stood in for one poll, and then the right one had been doubted for
    as long as a pump needs for 500 mm: nine minutes at 320 m3/h."""
    run = Run(maximum_flow_in_m3_s=320.0 / 3600.0)
    run.stand(300, 6.0, 5.5)
    stood_in = run.look(bad(), 5.5)
    assert stood_in.level.value == 5.5
    assert ReasonCode.RATE_IMPLAUSIBLE not in codes(stood_in), "it has read this all along"
    for _ in range(20):
        assert ReasonCode.RATE_IMPLAUSIBLE not in codes(run.look(6.0, 5.5))


def test_the_reason_of_a_stand_in_names_it_and_the_gauge_that_failed() -> None:
    text = Run().look(bad(), 5.5).level.reasons[0].text
    assert text == "the second gauge, LT-2.innage, stands in for LT-1.innage"


def test_a_second_gauge_that_has_not_jumped_bears_out_a_level_that_came_back() -> None:
    """0.000 for an hour, and the second gauge right all along: 6 m would need an hour of pumping at 600 m3/h."""
    run = Run()
    run.stand(600, 6.0, 6.0)
    run.stand(4000, 0.0, 6.0)
    mended = run.look(6.0, 6.0)
    assert codes(mended) == [], "the pumps could not, and the other gauge knows better"
    alone = Run(second_gauge=None)
    alone.stand(600, 6.0, bad())
    alone.stand(4000, 0.0, bad())
    assert codes(alone.look(6.0, bad())) == [ReasonCode.RATE_IMPLAUSIBLE]


def test_two_gauges_that_jump_together_bear_nothing_out() -> None:
    """Two readings through one converter that went wrong."""
    run = Run()
    run.stand(600, 6.0, 6.0)
    for _ in range(60):
        figures = run.look(0.0, 0.004)
        assert codes(figures) == [ReasonCode.RATE_IMPLAUSIBLE]
        assert figures.second_level.quality is Quality.UNCERTAIN


def test_a_level_that_jumps_soon_after_a_start_is_not_believed_against_the_other_gauge() -> None:
    """It had stood for 2 min: without another gauge the level after the jump is believed when it has stood for longer,
    as nobody can tell which of the two was false. A gauge that stands where it stood can. 2 m are 200 m3, for which
    pumps take 20 min."""
    run = Run()
    run.stand(120.0, 4.0, 4.0)
    for _ in range(60):
        assert ReasonCode.RATE_IMPLAUSIBLE in codes(run.look(6.0, 4.0))
    assert ReasonCode.GAUGES_DISAGREE in codes(run.stand(60.0, 6.0, 4.0))
    assert run.look(4.0, 4.0).level.quality is Quality.GOOD


def test_two_gauges_that_both_jump_bear_nothing_out_against_each_other() -> None:
    """After 2 min both jump, to different levels: which was false nobody can tell, until they have differed for
    ten minutes."""
    run = Run()
    run.stand(120.0, 4.0, 4.0)
    assert run.stand(180.0, 6.0, 8.0).level.quality is Quality.GOOD
    assert ReasonCode.GAUGES_DISAGREE in codes(run.stand(500.0, 6.0, 8.0))


def test_a_jump_of_the_second_gauge_alone_is_its_own_and_the_level_stays_good() -> None:
    run = Run()
    run.stand(600, 6.0, 6.0)
    figures = run.look(6.0, 8.0)
    assert figures.level.quality is Quality.GOOD
    (reason,) = figures.second_level.reasons
    assert reason.code is ReasonCode.RATE_IMPLAUSIBLE
    assert reason.text.startswith("level rises from 6.000 m by 2000 mm")


def test_a_slow_second_gauge_of_a_filling_tank_does_not_differ_for_its_age() -> None:
    """90 m3/h are 15 mm a minute: a second gauge read once a minute lags by up to 15 mm, limit 10 mm."""
    run = Run()
    second_m, read_s = 5.0, 0.0
    for index in range(200):
        now_s = index * 10.0
        level_m = 5.0 + 90.0 / 3600.0 * now_s / 100.0
        if index % 6 == 0:
            second_m, read_s = level_m, now_s
        figures = run.look(good(round(level_m, 3), 0.0), good(round(second_m, 3), now_s - read_s))
        assert codes(figures) == [], index


@given(
    ripple=st.lists(st.floats(-0.004, 0.004), min_size=120, max_size=240),
    offset_m=st.floats(0.0, 0.02),
    lost=st.sets(st.integers(0, 240)),
    step_s=st.sampled_from([2.0, 10.0, 60.0]),
)
def test_whatever_ripples_the_quality_of_the_level_changes_once_in_ten_readings_at_most(
    ripple: list[float], offset_m: float, lost: set[int], step_s: float
) -> None:
    """The second gauge is lost at times; the first never is."""
    run = Run()
    qualities = []
    for index, wave_m in enumerate(ripple):
        second = bad() if index in lost else round(6.0 + offset_m + wave_m, 3)
        qualities.append(run.look(6.0, second, step_s).level.quality)
    changes = sum(before is not now for before, now in pairwise(qualities))
    assert changes <= len(qualities) / 10


def test_the_source_is_told_as_a_code() -> None:
    run = Run()
    run.look(bad(), 5.5)
    assert run.last is not None
    assert run.last.sources.level is LevelSource.SECOND_GAUGE
