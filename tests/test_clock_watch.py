"""A clock that is off is noticed once, when it becomes so."""

from gateway.clock_watch import ClockWatch

S = 1_000_000_000
IN_2026 = 1_790_000_000 * S


def test_steady_clock_says_nothing() -> None:
    watch = ClockWatch()
    assert [watch.look(IN_2026 + i * S, i * S) for i in range(5)] == [None] * 5


def test_step_forward_and_back() -> None:
    watch = ClockWatch()
    assert watch.look(IN_2026, 0) is None
    forward = watch.look(IN_2026 + 11 * S, S)
    assert forward is not None
    assert forward.step_s == 10.0
    back = watch.look(IN_2026 + 2 * S, 2 * S)
    assert back is not None
    assert back.step_s == -10.0
    assert watch.look(IN_2026 + 3 * S, 3 * S) is None


def test_slow_drift_is_not_a_step() -> None:
    watch = ClockWatch()
    watch.look(IN_2026, 0)
    assert watch.look(IN_2026 + round(3.9 * S), 2 * S) is None


def test_a_box_without_a_battery_wakes_in_1970() -> None:
    watch = ClockWatch()
    fault = watch.look(5 * S, 0)
    assert fault is not None
    assert fault.impossible
    assert watch.look(6 * S, S) is None, "said once"
