"""Loops of the daemon are begun again whatever ends them, each time in a task of its own; told to end, they do."""

import asyncio
import random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway.backoff import Backoff
from gateway.errors import GatewayError
from gateway.process.supervision import supervise
from gateway.process.tasks import EndedError
from tests.support.endings import (
    Way,
    cancels_itself,
    ends,
    fails,
    fails_in_a_group,
    fails_with_a_cancellation_in_its_count,
    for_ever,
    waits_for_what_was_cancelled,
)

NS = 1_000_000_000


async def raises_a_hint() -> None:
    error = GatewayError("cannot serve HTTP")
    error.hint = "choose another port"
    raise error


FAULTS: dict[Way, tuple[type[Exception], str]] = {
    ends: (EndedError, "line north came to an end by itself, which it never should"),
    fails: (OSError, "no buffer space"),
    waits_for_what_was_cancelled: (EndedError, "line north was cancelled, and nobody asked for it"),
    cancels_itself: (EndedError, "line north was cancelled, and nobody asked for it"),
    fails_in_a_group: (ExceptionGroup, "unhandled errors in a TaskGroup (1 sub-exception)"),
    fails_with_a_cancellation_in_its_count: (OSError, "no buffer space"),
}


class Time:
    """A clock that only the sleeps of the supervision and the loops themselves move."""

    def __init__(self) -> None:
        self.now_ns = 0
        self.sleeps: list[float] = []

    def utc_ns(self) -> int:
        return self.now_ns

    def monotonic_ns(self) -> int:
        return self.now_ns

    async def sleep(self, seconds: float) -> None:
        self.sleeps.append(seconds)
        self.now_ns += round(seconds * NS)
        await asyncio.sleep(0)


class Loop:
    """Ends once in each of the given ways, after having run for so long, then goes on for ever."""

    def __init__(self, time: Time, ways: list[tuple[Way, float]]) -> None:
        self._time = time
        self._ways = ways
        self.begun = 0
        self.at_work = asyncio.Event()
        self.told = 0

    async def run(self) -> None:
        task = asyncio.current_task()
        assert task is not None
        assert task.cancelling() == 0
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.0):
                await for_ever()
        self.begun += 1
        if self.begun <= len(self._ways):
            way, seconds = self._ways[self.begun - 1]
            self._time.now_ns += round(seconds * NS)
            await way()
            return
        self.at_work.set()
        try:
            await for_ever()
        finally:
            self.told += 1


class Longest(random.Random):
    def uniform(self, a: float, b: float) -> float:
        return b


async def supervised(*ways: tuple[Way, float]) -> tuple[list[Any], Time]:
    """The faults that were logged, and the time, once the loop has ended in all these ways and was then told to end."""
    time = Time()
    loop = Loop(time, list(ways))
    with capture_logs() as logs:
        backoff = Backoff(1.0, 60.0, Longest())
        task = asyncio.create_task(supervise("line north", loop.run, backoff, time, sleep=time.sleep))
        async with asyncio.timeout(30.0):
            await loop.at_work.wait()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
    assert (loop.begun, loop.told) == (len(ways) + 1, 1)
    assert asyncio.all_tasks() == {asyncio.current_task()}
    return logs, time


@given(st.lists(st.sampled_from(sorted(FAULTS, key=lambda way: getattr(way, "__name__", ""))), max_size=12))
def test_a_loop_is_begun_again_whatever_ends_it(ways: list[Way]) -> None:
    logs, _ = asyncio.run(supervised(*((way, 0.0) for way in ways)))
    assert [(entry["event"], entry["task"], entry["log_level"]) for entry in logs] == [
        ("gateway.task_failed", "line north", "error")
    ] * len(ways)
    assert [(type(entry["exc_info"]), str(entry["exc_info"])) for entry in logs] == [FAULTS[way] for way in ways]
    assert [entry["attempt"] for entry in logs] == list(range(1, len(ways) + 1))


async def test_a_fault_that_was_foreseen_is_told_with_its_hint() -> None:
    (entry,), _ = await supervised((raises_a_hint, 0.0))
    assert (entry["error"], entry["hint"]) == ("cannot serve HTTP", "choose another port")


async def test_faults_in_a_row_are_waited_for_longer_and_health_is_remembered() -> None:
    logs, time = await supervised(*((fails, seconds) for seconds in (0.0, 3.0, 9.9, 10.0, 0.0, 3600.0)))
    assert time.sleeps == [1.0, 2.0, 4.0, 1.0, 2.0, 1.0]
    assert [entry["attempt"] for entry in logs] == [1, 2, 3, 1, 2, 1]
    assert [entry["again_in_s"] for entry in logs] == time.sleeps


async def test_told_to_end_while_it_waits_it_ends_at_once() -> None:
    waiting = asyncio.Event()
    begun = 0

    async def loop() -> None:
        nonlocal begun
        begun += 1
        raise OSError("no buffer space")

    async def sleep(seconds: float) -> None:
        waiting.set()
        await for_ever()

    backoff = Backoff(1.0, 60.0, random.Random(1))
    with capture_logs():
        task = asyncio.create_task(supervise("line north", loop, backoff, Time(), sleep=sleep))
        await waiting.wait()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
    assert begun == 1


async def test_told_to_end_it_waits_for_the_loop_and_tells_what_went_wrong_in_its_end() -> None:
    async def loop() -> None:
        try:
            await for_ever()
        finally:
            await asyncio.sleep(0.01)
            raise OSError("while closing")

    with capture_logs() as logs:
        task = asyncio.create_task(supervise("line north", loop, Backoff(1.0, 60.0, random.Random(1)), Time()))
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
    assert [str(entry["exc_info"]) for entry in logs] == ["while closing"]


async def test_what_must_end_the_process_is_not_begun_again() -> None:
    class EndOfAll(BaseException):
        pass

    async def loop() -> None:
        raise EndOfAll

    with pytest.raises(EndOfAll):
        await supervise("line north", loop, Backoff(1.0, 60.0, random.Random(1)), Time())
