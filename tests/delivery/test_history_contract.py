"""The contract of a destination that keeps history for good: a database, and a folder of files.

What a broker does with it, which passes on and keeps nothing, stands in test_mqtt_history.py.
"""

import asyncio
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Protocol

import pytest

from gateway.delivery.contract import DeliveryPlan, Wants
from gateway.delivery.plan import FilesPlan
from tests.support.deliveries import until
from tests.support.destinations import destination, running
from tests.support.history_files import finished, identities, unfinished
from tests.support.kept_entries import MemoryOutbox, kept_event, kept_record, streams
from tests.support.postgres import Postgres, postgresql_plan
from tests.support.records import record

TANKS = ["TK-1", "TK-2", "TK-3"]


class Peer(Protocol):
    """What a destination delivers to, in the hands of the test."""

    @property
    def plan(self) -> DeliveryPlan: ...

    def is_there(self) -> None: ...

    def is_away(self) -> None: ...

    def has(self) -> list[tuple[str, int]]:
        """Tank and sequence of each record that it has."""
        ...


class Database:
    def __init__(self, folder: Path) -> None:
        self._server = Postgres()
        self._server.start()
        self._server.database("plant")
        self._server.kill()
        self.plan = postgresql_plan(self._server, folder, database="plant", given_name="plant")

    def is_there(self) -> None:
        self._server.start()

    def is_away(self) -> None:
        self._server.kill()

    def has(self) -> list[tuple[str, int]]:
        lines = self._server.psql("SELECT tank, sequence FROM tanks.records", "plant")
        return [(tank, int(sequence)) for tank, sequence in (line.split("|") for line in lines)]

    def remove(self) -> None:
        self._server.__exit__(None, None, None)


class Folder:
    def __init__(self, folder: Path) -> None:
        self._folder = folder / "out"
        self.plan = FilesPlan(
            self._folder, given_name="plant", gather_s=0.01, backoff_first_s=0.01, backoff_longest_s=0.05
        )

    def is_there(self) -> None:
        kept = self._folder.with_name("away")
        if kept.exists():
            kept.rename(self._folder)
        else:
            self._folder.mkdir()

    def is_away(self) -> None:
        self._folder.rename(self._folder.with_name("away"))

    def has(self) -> list[tuple[str, int]]:
        return identities(*finished(self._folder), *unfinished(self._folder))

    def remove(self) -> None:
        """The test's folder goes by itself."""


@pytest.fixture(params=[Database, Folder])
def peer(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Peer]:
    made = request.param(tmp_path)
    yield made
    made.remove()


async def drained(outbox: MemoryOutbox) -> None:
    await until(lambda: outbox.backlog().waiting == 0)


def all_of(tanks: Sequence[str], each: int) -> list[tuple[str, int]]:
    return [(tank, sequence) for tank in tanks for sequence in range(1, each + 1)]


async def test_what_is_kept_arrives_once_and_leaves_the_outbox(peer: Peer) -> None:
    peer.is_there()
    outbox = MemoryOutbox([*streams(TANKS, 20), kept_event(61)])
    made = destination(peer.plan, outbox)
    assert made.wants == Wants(live=False, history=True, events=True)
    async with running(made):
        await drained(outbox)
        # What is behind the last acknowledgement in its turn comes a moment later.
        await until(lambda: made.status().connected)
        status = made.status()
        assert (status.destination, status.troubles) == ("plant", ())
        assert status.history is not None
        assert (status.history.waiting, status.history.delivered, status.history.lost) == (0, 61, 0)
    assert sorted(peer.has()) == all_of(TANKS, 20)


async def test_a_live_record_is_none_of_its_business(peer: Peer) -> None:
    made = destination(peer.plan, MemoryOutbox())
    made.offer(record("TK-1", 1))
    made.finish([record("TK-1", 2)])
    status = made.status()
    assert (status.delivered, status.lost, status.waiting) == (0, 0, 0)


async def test_while_the_peer_is_away_all_of_it_waits(peer: Peer) -> None:
    outbox = MemoryOutbox(streams(TANKS, 5))
    made = destination(peer.plan, outbox)
    async with running(made):
        await asyncio.sleep(0.2)
        status = made.status()
        assert status.history is not None
        assert (status.connected, status.history.waiting, status.history.lost) == (False, 15, 0)
        peer.is_there()
        await drained(outbox)
        peer.is_away()
        outbox.add(kept_record(16, "TK-1", 6, 5))
        await until(lambda: not made.status().connected)
        peer.is_there()
        await drained(outbox)
    assert sorted(peer.has()) == sorted([*all_of(TANKS, 5), ("TK-1", 6)])


async def test_told_to_end_while_the_peer_is_away_it_ends(peer: Peer) -> None:
    outbox = MemoryOutbox(streams(TANKS, 5))
    made = destination(peer.plan, outbox)
    async with running(made):
        await asyncio.sleep(0.05)
    assert outbox.backlog().waiting == 15


async def test_run_again_it_begins_anew(peer: Peer) -> None:
    """As supervision does after a mistake in the program."""
    peer.is_there()
    outbox = MemoryOutbox(streams(TANKS, 5))
    made = destination(peer.plan, outbox)
    for position in (16, 17, 18):
        async with running(made):
            await drained(outbox)
        outbox.add(kept_record(position, "TK-1", position - 10, position - 11))
    async with running(made):
        await drained(outbox)
    assert sorted(peer.has()) == sorted([*all_of(TANKS, 5), ("TK-1", 6), ("TK-1", 7), ("TK-1", 8)])


async def test_what_was_not_known_to_have_arrived_is_there_once_all_the_same(peer: Peer) -> None:
    """The process ended before its cursor was written: the next sends from further back."""
    peer.is_there()
    entries = streams(TANKS, 10)
    for behind in (0, 12, 0):
        outbox = MemoryOutbox(entries[behind:])
        async with running(destination(peer.plan, outbox)):
            await drained(outbox)
    assert sorted(peer.has()) == all_of(TANKS, 10)


async def test_without_a_ledger_it_says_so_and_goes_on(peer: Peer) -> None:
    made = destination(peer.plan, None)
    async with running(made):
        await until(lambda: made.status().troubles)
    assert made.status().history is None
