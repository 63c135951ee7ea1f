"""The outbox in memory keeps the contract that it stands for."""

import asyncio

import pytest

from gateway.delivery.contract import Outbox
from gateway.history import Previous
from gateway.status import Backlog
from tests.support.kept_entries import MemoryOutbox, kept_event, kept_record, streams
from tests.support.records import BOOT


async def test_it_gives_what_is_next_until_it_is_rewound() -> None:
    entries = streams(["TK-1", "TK-2"], 3)
    box: Outbox = MemoryOutbox(entries)
    assert [entry.position for entry in await box.take(4)] == [1, 2, 3, 4]
    box.delivered(2)
    assert [entry.position for entry in await box.take(4)] == [5, 6]
    assert not box.ready()
    box.rewind()
    assert box.ready()
    assert [entry.position for entry in await box.take(9)] == [3, 4, 5, 6]
    box.delivered(1)
    assert box.backlog().delivered == 2, "it never goes back"


async def test_a_take_that_is_cancelled_skips_nothing() -> None:
    box = MemoryOutbox()
    waiting = asyncio.create_task(box.take(1))
    await asyncio.sleep(0)
    waiting.cancel()
    box.add(kept_event(7))
    with pytest.raises(asyncio.CancelledError):
        await waiting
    assert [entry.position for entry in await box.take(1)] == [7]


async def test_who_waits_gets_what_is_added() -> None:
    box = MemoryOutbox()
    waiting = asyncio.create_task(box.take(5))
    await asyncio.sleep(0)
    box.add(kept_record(3))
    assert [entry.position for entry in await waiting] == [3]


async def test_what_nobody_took_cannot_have_arrived() -> None:
    box = MemoryOutbox([kept_record(1), kept_record(2, sequence=2)])
    await box.take(1)
    with pytest.raises(AssertionError):
        box.delivered(2)


async def test_the_backlog_is_of_the_oldest() -> None:
    now_s = [100.0]
    box = MemoryOutbox(monotonic=lambda: now_s[0])
    assert box.backlog() == Backlog(0, None, 0, 0)
    box.add(kept_record(1))
    now_s[0] = 103.0
    box.add(kept_record(2, sequence=2, previous=1))
    now_s[0] = 110.0
    assert box.backlog() == Backlog(2, 10.0, 0, 0)
    await box.take(2)
    assert box.backlog() == Backlog(2, 10.0, 0, 0), "taken is not arrived"
    box.delivered(1)
    assert box.backlog() == Backlog(1, 7.0, 1, 0)


def test_a_stream_names_the_one_before() -> None:
    first, _, second, other = streams(["TK-1", "TK-2"], 2, first=11)
    assert first == kept_record(11, "TK-1", 1)
    assert second == kept_record(13, "TK-1", 2, Previous(BOOT, 1))
    assert other == kept_record(14, "TK-2", 2, 1)
