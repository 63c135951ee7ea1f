"""Readings against time and against each other."""

from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation import figure
from gateway.calculation.memory import Sample
from gateway.calculation.plausibility import (
    gauges_differ_since,
    is_moving,
    level_rate_fault,
    next_window,
    temperature_rate_fault,
)

PUMP_M3_S = 400.0 / 3600.0


def window_of(*points: tuple[float, float]) -> tuple[Sample, ...]:
    """(time_s, level_m) points of a tank of 100 m3 per metre."""
    window: tuple[Sample, ...] = ()
    for time_s, level_m in points:
        window = next_window(window, Sample(time_s, level_m, 100.0 * level_m, 15.0, (True,)))
    return window


def rate_fault(window: tuple[Sample, ...], now_s: float, level_m: float) -> str | None:
    return level_rate_fault(window, now_s, level_m, 100.0 * level_m, 0.001, PUMP_M3_S, PUMP_M3_S)


def test_a_spike_of_500_mm_is_faster_than_any_pump() -> None:
    fault = rate_fault(window_of((0, 5.0), (10, 5.0)), 12.0, 5.5)
    assert fault is not None
    assert "500 mm" in fault


def test_pumping_at_the_greatest_rate_is_plausible() -> None:
    # 400 m3/h is 66.7 mm a minute here; one and a half times that is the limit.
    level_m = 5.0 + 400.0 / 60.0 / 100.0
    assert rate_fault(window_of((0, 5.0)), 60.0, level_m) is None
    assert rate_fault(window_of((0, 5.0)), 60.0, 5.0 + 1.6 * (level_m - 5.0)) is not None


def test_falling_is_judged_by_the_outflow() -> None:
    assert level_rate_fault(window_of((0, 5.0)), 60.0, 4.9, 490.0, 0.001, None, PUMP_M3_S) is None
    assert level_rate_fault(window_of((0, 5.0)), 60.0, 4.5, 450.0, 0.001, None, PUMP_M3_S) is not None
    assert level_rate_fault(window_of((0, 5.0)), 60.0, 4.5, 450.0, 0.001, PUMP_M3_S, None) is None


def test_one_digit_of_the_instrument_is_no_flood() -> None:
    tiny = 0.1 / 3600.0
    assert level_rate_fault(window_of((0, 5.0)), 60.0, 5.001, 500.1, 0.001, tiny, tiny) is None


def test_after_an_outage_the_change_is_spread_over_the_outage() -> None:
    assert rate_fault(window_of((0, 5.0)), 3600.0, 8.9) is None


def test_a_clock_set_back_judges_nothing_and_starts_afresh() -> None:
    window = window_of((1000, 5.0))
    assert rate_fault(window, 10.0, 9.0) is None
    assert next_window(window, Sample(10.0, 9.0, 900.0, 15.0, (True,)))[0].time_s == 10.0


@given(st.lists(st.floats(0.2, 30.0), min_size=1, max_size=200))
def test_the_window_stays_short_and_always_spans_a_minute_once_it_can(steps_s: list[float]) -> None:
    window: tuple[Sample, ...] = ()
    now_s = 0.0
    for step_s in steps_s:
        now_s += step_s
        window = next_window(window, Sample(now_s, 5.0, 500.0, 15.0, (True,)))
    assert len(window) <= 9
    assert list(window) == sorted(window, key=lambda sample: sample.time_s)
    if now_s - steps_s[0] >= 100.0:
        assert now_s - window[0].time_s >= 60.0


def test_temperature_may_not_jump_by_more_than_2_degc_a_minute() -> None:
    window = window_of((0, 5.0))
    assert temperature_rate_fault(window, 30.0, 17.0, (True,)) is None
    assert temperature_rate_fault(window, 30.0, 17.2, (True,)) is not None
    assert temperature_rate_fault(window, 600.0, 25.0, (True,)) is None


def test_another_set_of_elements_is_not_compared() -> None:
    assert temperature_rate_fault(window_of((0, 5.0)), 30.0, 40.0, (False,)) is None


def test_moving_means_more_than_ripple() -> None:
    window = window_of((0, 5.0))
    assert not is_moving(window, 60.0, 5.002, 0.001)
    assert is_moving(window, 60.0, 5.003, 0.001)
    assert not is_moving((), 60.0, 5.003, 0.001)


def test_disagreement_of_two_gauges_is_timed_from_its_beginning() -> None:
    apart = figure.good(0.011, 1.0)
    assert gauges_differ_since(None, 100.0, apart, 0.010) == 100.0
    assert gauges_differ_since(100.0, 700.0, apart, 0.010) == 100.0
    assert gauges_differ_since(100.0, 700.0, figure.good(-0.010, 1.0), 0.010) is None
    assert gauges_differ_since(900.0, 700.0, apart, 0.010) == 700.0, "a clock set back"
    assert gauges_differ_since(100.0, 700.0, figure.not_applicable("one gauge"), 0.010) is None
