"""Readers of one outbox, one after the other: what one that hung does when it wakes up costs no entry."""

import asyncio
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.clock import SystemClock
from gateway.history import Entry
from gateway.keeping import kept_in
from gateway.ledger.plan import LedgerPlan
from gateway.outbox_turns import Turn, Turns
from tests.support.kept_entries import MemoryOutbox, kept_record
from tests.support.ledger_store import level_record

BOOT = "b" * 32


def outbox(count: int) -> MemoryOutbox:
    return MemoryOutbox([kept_record(number, sequence=number) for number in range(1, count + 1)])


def positions(entries: Sequence[Entry]) -> list[int]:
    return [each.position for each in entries]


async def taken(turn: Turn, at_most: int = 10) -> list[int] | None:
    """None: nothing comes."""
    try:
        return positions(await asyncio.wait_for(turn.take(at_most), 0.05))
    except TimeoutError:
        return None


async def test_one_that_hung_and_comes_back_takes_nothing_from_the_next() -> None:
    turns = Turns(outbox(6))
    hung, following = turns.next(), turns.next()
    assert await taken(hung, 3) == [1, 2, 3]
    following.rewind()
    assert await taken(following, 2) == [1, 2]
    assert await taken(hung) is None
    assert not hung.ready()
    hung.delivered(3)
    hung.rewind()
    assert turns.outbox.backlog().delivered == 0, "it cannot speak for the one that has them now"
    assert await taken(following) == [3, 4, 5, 6]
    following.delivered(6)
    assert turns.outbox.backlog().waiting == 0


async def test_until_the_next_begins_the_one_before_goes_on_undisturbed() -> None:
    turns = Turns(outbox(4))
    one, other = turns.next(), turns.next()
    assert await taken(one, 2) == [1, 2]
    assert other.ready()
    assert await taken(one) == [3, 4], "nothing comes a second time"
    one.delivered(3)
    assert await taken(other) == [4]


@given(st.lists(st.tuples(st.integers(0, 3), st.sampled_from(["take", "delivered", "rewind", "ready"]))))
def test_whatever_readers_do_nothing_counts_as_delivered_that_the_last_has_not_had(
    does: list[tuple[int, str]],
) -> None:
    async def main() -> None:
        turns = Turns(outbox(40))
        readers = [turns.next() for _ in range(4)]
        had: list[set[int]] = [set() for _ in readers]
        newest = -1
        for reader, what in does:
            turn = readers[reader]
            if what in ("take", "rewind"):
                newest = max(newest, reader)
            if what == "take" and reader == newest and turn.ready():
                had[reader].update(positions(await turn.take(3)))
            elif what == "delivered" and had[reader]:
                before = turns.outbox.backlog().delivered
                turn.delivered(min(had[reader]) if len(had[reader]) < 3 else sorted(had[reader])[1])
                assert reader >= newest or turns.outbox.backlog().delivered == before
            elif what == "rewind":
                turn.rewind()
            gone = 40 - turns.outbox.backlog().waiting
            assert set(range(1, gone + 1)) <= set().union(*had)

    asyncio.run(main())


async def test_the_ledger_gives_each_maker_of_a_destination_a_turn(tmp_path: Path) -> None:
    keeping = kept_in(tmp_path, "north", LedgerPlan(commit_s=0.01))(BOOT, SystemClock())
    try:
        one, other = keeping.outbox("office"), keeping.outbox("office")
        assert one is not None
        assert other is not None
        keeping.offer(level_record("TK-1", BOOT, 1, 0.0), lambda tank: None)
        first = positions(await asyncio.wait_for(one.take(1), 20))
        assert positions(await asyncio.wait_for(other.take(1), 20)) == first
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(one.take(1), 0.1)
    finally:
        await keeping.close(None)
