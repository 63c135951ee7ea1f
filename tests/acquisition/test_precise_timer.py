"""The timer that is finer than the loop's: one call, not before its moment, and none after it was called off."""

import asyncio
import os
import time
from collections.abc import AsyncIterator, Callable

import pytest
import uvloop

from gateway.acquisition.links.precise_timer import PreciseTimer

LONG = 30.0


@pytest.fixture
async def timer() -> AsyncIterator[PreciseTimer]:
    made = PreciseTimer()
    yield made
    made.close()


async def moment_of(timer: PreciseTimer, when_s: float) -> float:
    """Sets the timer; the time at which it called."""
    called: asyncio.Future[float] = asyncio.get_running_loop().create_future()
    timer.call_at(when_s, lambda: called.set_result(time.monotonic()))
    async with asyncio.timeout(LONG):
        return await called


@pytest.mark.parametrize("delay_s", [-1.0, 0.0, 1e-9, 1e-5, 1e-4, 0.00175, 0.004])
async def test_never_before_its_moment_however_well_it_knows_its_lateness(timer: PreciseTimer, delay_s: float) -> None:
    for _ in range(100):
        when_s = time.monotonic() + delay_s
        assert await moment_of(timer, when_s) >= when_s


@pytest.mark.parametrize("factory", [asyncio.new_event_loop, uvloop.new_event_loop])
def test_on_either_event_loop(factory: Callable[[], asyncio.AbstractEventLoop]) -> None:
    async def run() -> None:
        timer = PreciseTimer()
        for _ in range(100):
            when_s = time.monotonic() + 0.001
            assert await moment_of(timer, when_s) >= when_s
        timer.close()

    with asyncio.Runner(loop_factory=factory) as runner:
        runner.run(run())


async def test_a_later_call_replaces_an_earlier_one(timer: PreciseTimer) -> None:
    timer.call_at(time.monotonic() + 0.001, lambda: pytest.fail("was replaced"))
    await moment_of(timer, time.monotonic() + 0.005)


async def test_called_off_even_when_it_has_fired_already(timer: PreciseTimer) -> None:
    timer.call_at(time.monotonic(), lambda: pytest.fail("was called off"))
    time.sleep(0.001)  # noqa: ASYNC251 - it is to fire before the loop can look
    timer.cancel()
    await moment_of(timer, time.monotonic() + 0.005)


async def test_set_anew_in_the_turn_of_the_loop_in_which_it_fires() -> None:
    """What comes first in that turn sets the timer; that it had fired before is then no longer true."""
    loop = asyncio.get_running_loop()
    receiving, sending = os.pipe()
    moments: list[tuple[float, float]] = []
    timer = PreciseTimer()

    def set_anew() -> None:
        os.read(receiving, 1)
        when_s = time.monotonic() + 0.005
        timer.call_at(when_s, lambda: moments.append((when_s, time.monotonic())))

    try:
        loop.add_reader(receiving, set_anew)
        for _ in range(20):
            os.write(sending, b"x")
            timer.call_at(time.monotonic(), lambda: None)
            time.sleep(0.001)  # noqa: ASYNC251 - both are to be ready in the same turn
            await asyncio.sleep(0.01)
    finally:
        loop.remove_reader(receiving)
        timer.close()
        os.close(receiving)
        os.close(sending)
    assert all(called_s >= when_s for when_s, called_s in moments)
    assert moments


async def test_closing_frees_the_descriptor_and_calls_nothing() -> None:
    descriptors = len(os.listdir("/proc/self/fd"))
    for _ in range(20):
        timer = PreciseTimer()
        timer.call_at(time.monotonic(), lambda: pytest.fail("was closed"))
        timer.close()
        timer.close()
    await asyncio.sleep(0)
    assert len(os.listdir("/proc/self/fd")) == descriptors
