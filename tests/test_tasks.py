"""However a task of ours ends, it is seen; told to end, all of them do."""

import asyncio

import pytest

from gateway.process.tasks import EndedError, apart, end, fault_of, run_together
from tests.support.endings import Way, cancels_itself, ends, fails, for_ever, waits_for_what_was_cancelled

ENDS: list[tuple[Way, type[Exception], str]] = [
    (waits_for_what_was_cancelled, EndedError, "second was cancelled, and nobody asked for it"),
    (cancels_itself, EndedError, "second was cancelled, and nobody asked for it"),
    (ends, EndedError, "second came to an end by itself, which it never should"),
    (fails, OSError, "no buffer space"),
]


class Endless:
    """Counts how often it was begun and how often it was told to end."""

    def __init__(self, swallows: int = 0) -> None:
        self.begun = self.told = 0
        self._swallows = swallows

    async def run(self) -> None:
        self.begun += 1
        while True:
            try:
                await for_ever()
            except asyncio.CancelledError:
                self.told += 1
                if self.told > self._swallows:
                    raise


@pytest.mark.parametrize(("way", "error", "text"), ENDS)
async def test_when_one_ends_the_others_are_ended_and_it_is_said_why(
    way: Way, error: type[Exception], text: str
) -> None:
    async def second() -> None:
        await way()

    first, third = Endless(), Endless()
    with pytest.raises(error, match=text):
        await run_together([("first", first.run), ("second", second), ("third", third.run)])
    assert (first.told, third.told) == (1, 1)


async def test_a_cancellation_that_nobody_asked_for_says_where_it_came_from() -> None:
    with pytest.raises(EndedError) as caught:
        await run_together([("first", waits_for_what_was_cancelled)])
    cause = caught.value.__cause__
    assert isinstance(cause, asyncio.CancelledError)
    places = []
    trace = cause.__traceback__
    while trace is not None:
        places.append(trace.tb_frame.f_code.co_name)
        trace = trace.tb_next
    assert "waits_for_what_was_cancelled" in places


async def test_a_fault_while_the_others_are_ended_is_not_lost() -> None:
    async def fails_at_the_end() -> None:
        try:
            await for_ever()
        finally:
            raise ValueError("while closing")

    with pytest.raises(ExceptionGroup) as caught:
        await run_together([("first", fails_at_the_end), ("second", fails)])
    assert [type(error) for error in caught.value.exceptions] == [ValueError, OSError]


async def test_a_failure_leaves_no_cancellation_behind_in_whoever_waited() -> None:
    # After a TaskGroup that failed, CPython before 3.13 counts one here; in 3.11.2 the time-out then fails.
    with pytest.raises(OSError, match="no buffer space"):
        await run_together([("first", for_ever), ("second", fails)])
    task = asyncio.current_task()
    assert task is not None
    assert task.cancelling() == 0
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.0):
            await for_ever()


async def test_cancelled_it_ends_all_and_is_cancelled() -> None:
    loops = [Endless() for _ in range(3)]
    task = asyncio.create_task(run_together([(str(number), loop.run) for number, loop in enumerate(loops)]))
    await asyncio.sleep(0.01)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert [(loop.begun, loop.told) for loop in loops] == [(1, 1)] * 3


async def test_nothing_to_run_is_waited_with_until_cancelled() -> None:
    task = asyncio.create_task(run_together([]))
    await asyncio.sleep(0.01)
    assert not task.done()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


async def test_one_that_goes_on_after_it_was_told_to_end_is_told_again() -> None:
    loops = [Endless(), Endless(swallows=2)]
    tasks = [asyncio.create_task(loop.run()) for loop in loops]
    await asyncio.sleep(0.01)
    await end(tasks, patience_s=0.001)
    assert [task.cancelled() for task in tasks] == [True, True]
    assert [loop.told for loop in loops] == [1, 3]


async def test_a_cancellation_while_others_are_ended_waits_for_them_and_is_passed_on() -> None:
    may_end = asyncio.Event()
    cleaned = False

    async def slow_to_end() -> None:
        nonlocal cleaned
        try:
            await for_ever()
        finally:
            await may_end.wait()
            cleaned = True

    slow = asyncio.create_task(slow_to_end())
    await asyncio.sleep(0)
    ending = asyncio.create_task(end([slow]))
    await asyncio.sleep(0)
    ending.cancel()
    await asyncio.sleep(0.01)
    assert not ending.done()
    may_end.set()
    with pytest.raises(asyncio.CancelledError):
        await ending
    assert cleaned


async def test_what_has_ended_already_is_left_as_it_is() -> None:
    failed = asyncio.create_task(fails())
    await asyncio.wait([failed])
    await end([failed])
    assert isinstance(fault_of(failed), OSError)


async def test_who_works_apart_keeps_its_cancellation_whatever_the_work_does_with_it() -> None:
    """The work swallows one cancellation, as `asyncio.wait_for` of CPython 3.11 can."""
    swallowed = 0

    async def work() -> None:
        nonlocal swallowed
        while True:
            try:
                await asyncio.sleep(60)
            except asyncio.CancelledError:
                swallowed += 1
                if swallowed == 2:
                    raise

    async def caller() -> None:
        await apart(work(), "work")
        raise AssertionError("its cancellation is lost")

    task = asyncio.create_task(caller())
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.wait([task])
    assert task.cancelled()
    assert swallowed == 2


async def test_what_is_done_apart_gives_and_raises_what_it_would_here() -> None:
    async def give() -> int:
        return 7

    async def fail() -> int:
        raise KeyError("x")

    async def end_itself() -> int:
        raise asyncio.CancelledError

    assert await apart(give(), "give") == 7
    with pytest.raises(KeyError, match="x"):
        await apart(fail(), "fail")
    with pytest.raises(EndedError):
        await apart(end_itself(), "ends")
