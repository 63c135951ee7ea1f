"""What is to find leaks must find them."""

import asyncio
import os

import pytest

from tests.support import leftovers
from tests.support.leftovers import Held


async def test_what_was_given_back_is_no_leak() -> None:
    async def turns() -> None:
        for number in range(1000):
            task = asyncio.create_task(asyncio.sleep(0))
            await task
            os.close(os.open("/dev/null", os.O_RDONLY))
            assert [str(number)]

    await turns()  # what is loaded and cached in the first of them stays
    before = Held.now()
    await turns()
    await before.assert_no_more(1000)


async def test_one_kept_object_a_repetition_is_found() -> None:
    before = Held.now()
    kept = [[number] for number in range(1000)]
    with pytest.raises(AssertionError):
        await before.assert_no_more(1000)
    assert kept


async def test_large_memory_is_found() -> None:
    before = Held.now()
    kept = bytearray(os.urandom(1 << 20) * 32)
    with pytest.raises(AssertionError):
        await before.assert_no_more(1000)
    assert kept


async def test_a_task_and_a_descriptor_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(leftovers, "_PATIENCE_S", 0.05)
    before = Held.now()
    task = asyncio.create_task(asyncio.sleep(30))
    with pytest.raises(TimeoutError):
        await before.assert_no_more(1)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    descriptor = os.open("/dev/null", os.O_RDONLY)
    with pytest.raises(TimeoutError):
        await before.assert_no_more(1)
    os.close(descriptor)
    await before.assert_no_more(1)
