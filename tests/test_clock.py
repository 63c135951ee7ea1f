"""The machine's clocks, as the gateway reads them."""

import subprocess
import sys
import time

from gateway.clock import SystemClock

LOOK = "from gateway.clock import SystemClock; print(SystemClock().monotonic_ns())"


def test_time_that_has_passed_is_counted_while_the_machine_sleeps() -> None:
    """CLOCK_BOOTTIME is CLOCK_MONOTONIC and the time suspended (Linux, clock_gettime(2))."""
    before = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    seen = SystemClock().monotonic_ns()
    assert before <= seen <= time.clock_gettime_ns(time.CLOCK_BOOTTIME)


def test_it_never_runs_backwards_and_another_process_agrees() -> None:
    clock = SystemClock()
    seen = [clock.monotonic_ns() for _ in range(1000)]
    other = int(subprocess.run([sys.executable, "-c", LOOK], capture_output=True, text=True, check=True).stdout)
    seen += [other, clock.monotonic_ns()]
    assert seen == sorted(seen)


def test_utc_is_that_of_the_machine() -> None:
    assert abs(SystemClock().utc_ns() - time.time_ns()) < 1_000_000_000
