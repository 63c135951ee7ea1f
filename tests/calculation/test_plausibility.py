"""The doubts of a whole sheet: stories of one tank, sheet after sheet, and what holds whatever ripples.

The tank holds 100 m3 per metre up to 10 m; its pumps do 400 m3/h, 66.7 mm a minute.
"""

from collections.abc import Mapping
from datetime import timedelta
from enum import StrEnum
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.calculation.plan import FlowPlan, GaugeKind, GaugePlan, HeadPlan, MeasuredDensityPlan, TankPlan
from gateway.records import Figure, Figures, Input, Quality, ReasonCode
from tests.support.plans import NOON, bad, good, straight_input, straight_plan, value

PUMPS: Mapping[str, object] = {"maximum_flow_in_m3_s": 400.0 / 3600.0, "maximum_flow_out_m3_s": 400.0 / 3600.0}


class Run:
    """Sheets of one tank, one after another."""

    def __init__(self, **changes: object) -> None:
        self.plan: TankPlan = straight_plan(**(dict(PUMPS) | changes))
        self.memory: Memory = EMPTY_MEMORY
        self.now_s = 0.0

    def look(self, level: float | Input, step_s: float = 10.0, **rest: object) -> Figures:
        self.now_s += step_s
        at = {"instant": NOON + timedelta(seconds=self.now_s), "steady_s": 1000.0 + self.now_s}
        given = straight_input(6.0, level=good(level) if isinstance(level, float) else level, **(at | rest))
        inventory, self.memory = calculate(self.plan, given, self.memory)
        return inventory.figures

    def settle(self, level_m: float) -> None:
        for _ in range(40):
            assert self.look(level_m).level.quality is Quality.GOOD


def codes(figure: Figure) -> list[ReasonCode]:
    return [reason.code for reason in figure.reasons]


@pytest.mark.parametrize(("before_m", "now_m"), [(12.5, 3.0), (3.0, 12.5), (12.5, 11.0), (11.0, 12.5)])
def test_a_jump_from_or_to_a_level_without_a_volume_is_a_jump(before_m: float, now_m: float) -> None:
    """Common practice: the table ends at 10 m, the reference height is 13 m. Beyond the table 100 m3 a metre go on."""
    run = Run(reference_height_m=13.0)
    run.settle(before_m)
    figures = run.look(now_m)
    assert value(figures.level) == now_m
    assert codes(figures.level) == [ReasonCode.RATE_IMPLAUSIBLE]
    assert figures.tov.quality is (Quality.BAD if now_m > 10.0 else Quality.UNCERTAIN)


def test_filling_on_beyond_the_table_is_no_jump() -> None:
    run = Run(reference_height_m=13.0)
    run.settle(9.9)
    for index in range(60):
        assert run.look(9.9 + index * 0.011).level.quality is Quality.GOOD


def test_a_false_zero_of_one_poll_at_the_start_is_forgotten_after_a_minute() -> None:
    run = Run()
    assert run.look(0.0, 2.0).level.quality is Quality.GOOD, "there is nothing to judge it by"
    qualities = [run.look(8.0, 2.0).level.quality for _ in range(60)]
    assert qualities == [Quality.UNCERTAIN] * 30 + [Quality.GOOD] * 30


def test_a_false_temperature_at_the_start_is_no_base_either() -> None:
    run = Run()
    run.look(6.0, elements=tuple(good(0.0) for _ in range(4)))
    qualities = [run.look(6.0).liquid_temperature.quality for _ in range(12)]
    assert qualities == [Quality.UNCERTAIN] * 6 + [Quality.GOOD] * 6


def test_a_jump_of_the_temperature_does_not_keep_the_level_from_being_followed() -> None:
    """Each has a past of its own: the level fills on while the temperature is in doubt."""
    run = Run()
    run.settle(4.9)
    for index in range(1, 31):
        figures = run.look(4.9 + 0.010 * index, elements=tuple(good(28.0) for _ in range(4)))
        assert codes(figures.liquid_temperature) == [ReasonCode.RATE_IMPLAUSIBLE]
        assert figures.level.quality is Quality.GOOD
    assert run.memory.doubts.first.samples[-1].value == pytest.approx(5.2)


def test_the_average_of_other_elements_begins_anew() -> None:
    """At 5.3 m the element at 5 m is covered: it is warmer by 8 degC, and the average by 2.7."""
    run = Run()
    elements = (good(15.0), good(15.0), good(23.0), good(15.0))
    for index in range(60):
        figures = run.look(5.2 + 0.005 * index, elements=elements)
        assert ReasonCode.RATE_IMPLAUSIBLE not in codes(figures.liquid_temperature)
    assert {sample.used for sample in run.memory.doubts.temperature.samples} == {(True, True, True, False)}


def test_a_doubt_that_comes_and_goes_stays_and_says_so() -> None:
    """Foam: every fifth echo is false."""
    run = Run()
    run.settle(6.0)
    figures = [run.look(7.0 if index % 5 == 4 else 6.0) for index in range(60)]
    qualities = [each.level.quality for each in figures]
    assert sum(before is not now for before, now in pairwise(qualities)) == 3
    assert set(qualities[9:]) == {Quality.UNCERTAIN}
    assert (
        figures[-2].level.reasons[0].text == "the level jumps: that came and went 8 times within the last 40 readings"
    )
    assert {each.level.value for each in figures} == {6.0, 7.0}, "filters never delay a true high"


FILLING_M_S = 90.0 / 3600.0 / 100.0


def filled(limit_s: float, profile_every_s: float, late_s: float = 0.0) -> list[Figures]:
    """A tank filling at 90 m3/h, 15 mm a minute: level each 10 s, profile each so many seconds and so much late."""
    run = Run(age_difference_limit_s=limit_s)
    found = []
    for index in range(60):
        now_s = index * 10.0
        age_s = now_s % profile_every_s + late_s
        elements = tuple(good(15.0, age_s) for _ in range(4))
        found.append(run.look(good(round(5.0 + FILLING_M_S * now_s, 4), 0.0), elements=elements))
    return found


def test_a_profile_118_s_old_beside_a_filling_level_is_doubted() -> None:
    """Polled each minute, so the limit is 90 s: it was the stale limit, 180 s, and could never be passed."""
    last = filled(90.0, 10.0, late_s=118.0)[-1]
    assert codes(last.liquid_temperature) == [ReasonCode.AGES_DIFFER]
    assert last.liquid_temperature.reasons[0].text == (
        "temperature and level differ in age by 118 s, more than 90 s, while the level moves"
    )
    assert last.gsv.quality is Quality.UNCERTAIN
    assert last.tov.quality is Quality.GOOD


def test_a_profile_polled_each_minute_is_not_doubted_for_that() -> None:
    assert {each.liquid_temperature.quality for each in filled(90.0, 60.0)} == {Quality.GOOD}


def test_at_rest_its_age_does_not_matter() -> None:
    run = Run(age_difference_limit_s=90.0)
    for _ in range(60):
        figures = run.look(5.0, elements=tuple(good(15.0, 118.0) for _ in range(4)))
        assert figures.liquid_temperature.quality is Quality.GOOD


def test_a_profile_that_comes_too_late_again_and_again_does_not_flap() -> None:
    """Each second poll is missed: it is 0 to 120 s old, beyond 90 s for a quarter of the time."""
    qualities = [each.liquid_temperature.quality for each in filled(90.0, 120.0)]
    assert sum(before is not now for before, now in pairwise(qualities)) <= 4
    assert set(qualities[24:]) == {Quality.UNCERTAIN}


def test_pressures_of_different_moments_do_not_make_a_level_while_it_moves() -> None:
    """Level from the pressure at the nozzle less that above: 800 kg/m3, 15 mm a minute."""
    run = Run(gauge=HeadPlan(0.0), pressurised=True)
    heads = [good(800.0 * 9.80665 * (5.0 + 0.0025 * index) + 3000.0) for index in range(30)]
    old = good(3000.0, age_s=80.0)
    figures = [run.look(bad(), bottom_pressure=head, vapour_pressure=old) for head in heads][-1]
    assert codes(figures.level) == [ReasonCode.AGES_DIFFER]
    assert figures.level.reasons[0].text.startswith("the pressures behind the level differ in age by 79 s")


class _Ripple:
    """What may be the matter with one sheet: draws of hypothesis become inputs."""

    def __init__(self, draw: tuple[int, int, bool, bool, int]) -> None:
        self.wave_mm, self.warmth, self.is_late, self.second_lost, self.flow = draw


@pytest.mark.parametrize("mean_m", [0.0, 1.3, 3.2, 5.3, 9.999])
@pytest.mark.parametrize("period_s", [2.0, 60.0])
@given(
    draws=st.lists(
        st.tuples(
            st.integers(-3, 3), st.integers(-1, 1), st.booleans(), st.booleans(), st.sampled_from([-1, 0, 1, 200])
        ),
        min_size=80,
        max_size=120,
    ),
    apart_mm=st.integers(0, 14),
)
@settings(max_examples=15, deadline=None)
def test_whatever_ripples_the_judgements_change_once_in_ten_readings_at_most(
    mean_m: float, period_s: float, draws: list[tuple[int, int, bool, bool, int]], apart_mm: int
) -> None:
    """A surface that ripples by 3 mm, temperatures by a tenth, a profile that comes late, a second gauge that is lost,
    a flow meter that wavers about its zero, all at once: each judgement by itself does not flap."""
    run = Run(second_gauge=GaugePlan(GaugeKind.INNAGE, name="LT-2.innage"), flows=(FlowPlan("FT-1.flow", into=True),))
    seen: dict[ReasonCode, list[bool]] = {code: [] for code in _JUDGED}
    for draw in draws:
        ripple = _Ripple(draw)
        level_m = mean_m + ripple.wave_mm / 1000.0
        second = bad() if ripple.second_lost else good(level_m + apart_mm / 1000.0)
        elements = tuple(good(15.0 + 0.1 * ripple.warmth, 70.0 if ripple.is_late else 1.0) for _ in range(4))
        figures = run.look(
            level_m, period_s, second_level=second, elements=elements, flows=(good(ripple.flow / 3600.0),)
        )
        told = {*codes(figures.level), *codes(figures.liquid_temperature)}
        for code, states in seen.items():
            states.append(code in told)
    for code, states in seen.items():
        changes = sum(before is not now for before, now in pairwise(states))
        assert changes <= 4 * -(-len(states) // 40), code


_JUDGED = (
    ReasonCode.RATE_IMPLAUSIBLE,
    ReasonCode.GAUGES_DISAGREE,
    ReasonCode.AGES_DIFFER,
    ReasonCode.LEVEL_FROZEN,
    ReasonCode.LEVEL_AGAINST_FLOW,
)


def plain(thing: object) -> bool:
    """Whether it is made of nothing but what any form of keeping can write."""
    if thing is None or isinstance(thing, StrEnum | str | int | float):
        return True
    if isinstance(thing, Mapping):
        return all(plain(key) and plain(each) for key, each in thing.items())
    return isinstance(thing, tuple) and all(map(plain, thing))


def test_what_is_remembered_is_plain_and_frozen() -> None:
    run = Run(
        second_gauge=GaugePlan(GaugeKind.INNAGE, name="LT-2.innage"),
        flows=(FlowPlan("FT-1.flow", into=True),),
        measured_density=MeasuredDensityPlan(0.5, in_use=False),
    )
    for index in range(80):
        run.look(
            6.0 if index % 7 else 8.0,
            second_level=good(6.1),
            flows=(good(200.0 / 3600.0),),
            bottom_pressure=good(742.0 * 9.80665 * 5.5),
        )
    doubts = run.memory.doubts
    assert None not in (doubts.apart, doubts.still, doubts.densities, doubts.read_s)
    assert doubts.recurring
    assert plain(doubts)
