"""A loop that waits for what never comes is found late, however busy the others are."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.process.progress import Progress

NS = 1_000_000_000


class Time:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def utc_ns(self) -> int:
        raise AssertionError("a clock that is set has nothing to say about progress")

    def monotonic_ns(self) -> int:
        return round(self.now_s * NS)


@pytest.fixture
def time() -> Time:
    return Time()


def test_a_loop_that_comes_round_is_never_late(time: Time) -> None:
    progress = Progress(time)
    came_round = progress.of("line a", 30.0)
    for _ in range(100):
        time.now_s += 29.0
        assert progress.late() == []
        came_round(0.0)


def test_a_loop_that_never_began_is_late_too(time: Time) -> None:
    progress = Progress(time)
    progress.of("line a", 30.0)
    time.now_s += 30.5
    assert progress.late() == ["line a"]


def test_only_the_one_that_hangs_is_late_and_not_before_its_patience_is_over(time: Time) -> None:
    progress = Progress(time)
    hangs, goes_on = progress.of("line a", 30.0), progress.of("line b", 30.0)
    hangs(3600.0)
    for _ in range(3629):
        time.now_s += 1.0
        goes_on(0.5)
        assert progress.late() == []
    time.now_s += 1.5
    goes_on(0.5)
    assert progress.late() == ["line a"]
    hangs(0.0)
    assert progress.late() == []


def test_a_loop_that_is_begun_anew_is_not_late(time: Time) -> None:
    progress = Progress(time)
    progress.of("line a", 30.0)
    time.now_s += 100.0
    progress.begun("line a")
    progress.begun("one that tells no turns")
    assert progress.late() == []
    time.now_s += 31.0
    assert progress.late() == ["line a"]


def test_when_the_whole_process_stood_still_nothing_was_due(time: Time) -> None:
    progress = Progress(time)
    progress.of("line a", 30.0)
    waits = progress.of("line b", 30.0)
    waits(7200.0)
    time.now_s += 3600.0
    assert progress.late() == ["line a"]
    progress.forgive()
    assert progress.late() == []
    time.now_s += 3600.0 + 29.0
    assert progress.late() == ["line a"], "and the wait of the other goes on as it was"


@given(st.lists(st.tuples(st.floats(0.0, 500.0), st.floats(0.0, 100.0)), max_size=50), st.floats(1.0, 200.0))
def test_a_loop_is_late_exactly_when_its_patience_is_over(turns: list[tuple[float, float]], patience_s: float) -> None:
    """Whatever turns came before: only the last one counts."""
    time = Time()
    progress = Progress(time)
    came_round = progress.of("line a", patience_s)
    for wait_s, passes_s in turns:
        came_round(wait_s)
        time.now_s += passes_s
        assert bool(progress.late()) is (round(passes_s * NS) - round(wait_s * NS) > round(patience_s * NS)) or (
            abs(passes_s - wait_s - patience_s) < 1e-6
        )
