"""The contract of a destination, kept by every kind there is: MQTT servers, and a folder of files."""

import asyncio
import functools
import json
import re
import shutil
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol

import pytest

from gateway.delivery.contract import DeliveryPlan, Destination
from gateway.delivery.destinations import DESTINATION_KINDS
from gateway.delivery.plan import FilesPlan
from gateway.tank_record import TankRecord
from tests.support.deliveries import plan_for, until
from tests.support.destinations import destination, running
from tests.support.file_destination import FileDestination, FolderPlan
from tests.support.history_files import identities, unfinished
from tests.support.kept_entries import MemoryOutbox, kept_event, kept_record, streams
from tests.support.mosquitto import Mosquitto
from tests.support.mqtt_subscriber import Subscriber
from tests.support.records import record

TANKS = [f"TK-{number}" for number in range(12)]


class Peer(Protocol):
    """What a destination delivers to, in the hands of the test."""

    @property
    def plan(self) -> DeliveryPlan: ...

    def is_there(self) -> None: ...

    def is_away(self) -> None: ...

    async def newest(self, tank: str) -> int:
        """The sequence of the record that it has of a tank."""
        ...

    def history(self, tank: str) -> int:
        """How many records of history it was given of a tank, repeats among them."""
        ...


class Broker:
    def __init__(self, folder: Path, **changes: Any) -> None:
        self._server = Mosquitto(folder)
        self.plan = plan_for(self._server.port, given_name="plant", **changes)

    def is_there(self) -> None:
        self._server.start()

    def is_away(self) -> None:
        self._server.kill()

    async def newest(self, tank: str) -> int:
        async with Subscriber(self._server.port, f"tanks/harbour/{tank}/inventory") as subscriber:
            return int((await subscriber.next()).content["identity"]["sequence"])

    def history(self, tank: str) -> int:
        return len(re.findall(f"Received PUBLISH from .*'tanks/harbour/{tank}/history'", self._server.log()))


class Folder:
    def __init__(self, folder: Path) -> None:
        self.plan = FolderPlan("plant", folder / "out")

    def is_there(self) -> None:
        self.plan.folder.mkdir()

    def is_away(self) -> None:
        for file in self.plan.folder.iterdir():
            file.unlink()
        self.plan.folder.rmdir()

    async def newest(self, tank: str) -> int:
        file = self.plan.folder / f"{tank}.json"
        await until(file.exists)
        return int(json.loads(file.read_bytes())["identity"]["sequence"])

    def history(self, tank: str) -> int:
        rows = (self.plan.folder / "history.jsonl").read_bytes().splitlines()
        return sum(json.loads(row)["identity"]["tank"] == tank for row in rows)


@pytest.fixture(params=["3.1.1", "5", "files"])
def peer(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Peer]:
    monkeypatch.setitem(DESTINATION_KINDS, FolderPlan, FileDestination)
    made: Peer = Folder(tmp_path) if request.param == "files" else Broker(tmp_path, protocol=request.param)
    yield made
    with suppress(OSError):
        made.is_away()


class HistoryFolder:
    """Of files of history, which takes no live records."""

    def __init__(self, folder: Path, form: str) -> None:
        self._folder = folder / "out"
        self.plan = FilesPlan(
            self._folder, form, given_name="plant", gather_s=0.01, backoff_first_s=0.02, backoff_longest_s=0.1
        )

    def is_there(self) -> None:
        self._folder.mkdir()

    def is_away(self) -> None:
        shutil.rmtree(self._folder)

    async def newest(self, tank: str) -> int:
        raise NotImplementedError

    def history(self, tank: str) -> int:
        return sum(each == tank for each, _ in identities(*unfinished(self._folder)))


@pytest.fixture(params=["3.1.1", "5", "files", "csv", "parquet"])
def keeper(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Peer]:
    """One that takes history, whether it takes live records or not."""
    if request.param in ("csv", "parquet"):
        yield HistoryFolder(tmp_path, request.param)
        return
    monkeypatch.setitem(DESTINATION_KINDS, FolderPlan, FileDestination)
    made: Peer = Folder(tmp_path) if request.param == "files" else Broker(tmp_path, protocol=request.param)
    yield made
    with suppress(OSError):
        made.is_away()


def has_arrived(outbox: MemoryOutbox, least: int) -> bool:
    return len(outbox.arrived) >= least


def sums(made: Destination) -> tuple[int, int]:
    status = made.status()
    return status.delivered + status.lost + status.waiting, status.waiting


async def test_it_is_called_by_its_name_and_takes_live_records(peer: Peer) -> None:
    made = destination(peer.plan)
    assert (peer.plan.name, made.status().destination) == ("plant", "plant")
    assert made.wants.live
    assert not made.status().connected


async def test_what_is_offered_is_delivered_the_newest_of_each_tank(peer: Peer) -> None:
    peer.is_there()
    made = destination(peer.plan)
    for tank in TANKS:
        made.offer(record(tank, 1))
    async with running(made):
        await until(lambda: made.status().waiting == 0)
        for sequence in (2, 3):
            for tank in TANKS:
                made.offer(record(tank, sequence))
        await until(lambda: made.status().waiting == 0)
        assert made.status().connected
        assert [await peer.newest(tank) for tank in TANKS] == [3] * len(TANKS)
    assert sums(made) == (3 * len(TANKS), 0)


async def test_while_the_peer_is_away_offering_costs_no_more_than_the_tanks(peer: Peer) -> None:
    made = destination(peer.plan)
    async with running(made):
        for sequence in range(1, 201):
            made.offer(record("TK-1", sequence))
            made.offer(record("TK-2", sequence))
        await asyncio.sleep(0.1)
        assert not made.status().connected
        assert sums(made) == (400, 2)
        assert made.status().lost == 398
        peer.is_there()
        await until(lambda: made.status().waiting == 0)
        assert (await peer.newest("TK-1"), await peer.newest("TK-2")) == (200, 200)
        peer.is_away()
        made.offer(record("TK-1", 201))
        await until(lambda: not made.status().connected)
        peer.is_there()
        await until(lambda: made.status().waiting == 0)
        assert await peer.newest("TK-1") == 201


async def test_told_to_end_it_says_the_last_for_good(peer: Peer) -> None:
    peer.is_there()
    made = destination(peer.plan)
    async with running(made):
        for tank in TANKS:
            made.offer(record(tank, 1))
        await until(lambda: made.status().connected)
        made.finish([record(tank, 2) for tank in TANKS])
    assert [await peer.newest(tank) for tank in TANKS] == [2] * len(TANKS)
    assert sums(made)[1] == 0


async def test_told_to_end_without_last_words_it_says_none(peer: Peer) -> None:
    """Another takes its place, with the same topics: what is there stays true."""
    peer.is_there()
    made = destination(peer.plan)
    async with running(made):
        made.offer(record("TK-1", 7))
        await until(lambda: made.status().waiting == 0 and made.status().connected)
        made.finish(())
    assert await peer.newest("TK-1") == 7


async def test_told_to_end_while_the_peer_is_away_it_ends(peer: Peer) -> None:
    made = destination(peer.plan)
    async with running(made):
        made.offer(record("TK-1", 1))
        made.finish([record("TK-1", 2)])
        await asyncio.sleep(0.05)
    assert not made.status().connected


async def test_run_again_it_begins_anew(peer: Peer) -> None:
    """As supervision does after a mistake in the program."""
    peer.is_there()
    made = destination(peer.plan)
    offered: list[TankRecord] = []
    for sequence in (1, 2, 3):
        offered.append(record("TK-1", sequence))
        made.offer(offered[-1])
        async with running(made):
            await until(lambda: made.status().waiting == 0 and made.status().connected)
    assert await peer.newest("TK-1") == 3
    assert sums(made) == (3, 0)


async def test_without_an_outbox_it_wants_no_history_and_has_none(peer: Peer) -> None:
    made = destination(peer.plan)
    assert not made.wants.history
    assert not made.wants.events
    assert made.status().history is None


async def test_all_of_history_is_delivered_and_none_of_live_records_is_lost(peer: Peer) -> None:
    peer.is_there()
    outbox = MemoryOutbox([*streams(TANKS[:3], 20), kept_event(1_000)])
    made = destination(peer.plan, outbox)
    assert made.wants.history
    assert made.wants.events
    async with running(made):
        for sequence in (1, 2, 3):
            for tank in TANKS:
                made.offer(record(tank, sequence))
        await until(lambda: outbox.backlog().waiting == 0 and made.status().waiting == 0)
        # What comes later wakes it.
        outbox.add(kept_record(1_001, "TK-0", 21, 20))
        await until(lambda: outbox.backlog().waiting == 0)
        status = made.status()
    assert [peer.history(tank) for tank in TANKS[:3]] == [21, 20, 20]
    assert status.history is not None
    assert (status.history.delivered, status.history.lost, status.history.waiting) == (62, 0, 0)
    assert (status.delivered + status.dropped, status.lost) == (3 * len(TANKS), 0)


async def test_history_arrives_also_what_comes_later_and_is_counted(keeper: Peer) -> None:
    keeper.is_there()
    outbox = MemoryOutbox([*streams(TANKS[:3], 20), kept_event(1_000)])
    made = destination(keeper.plan, outbox)
    assert made.status().destination == "plant"
    assert made.wants.history
    assert made.wants.events
    async with running(made):
        await until(lambda: outbox.backlog().waiting == 0)
        outbox.add(kept_record(1_001, "TK-0", 21, 20))
        await until(lambda: outbox.backlog().waiting == 0 and made.status().connected)
        status = made.status()
    assert [keeper.history(tank) for tank in TANKS[:3]] == [21, 20, 20]
    assert status.history is not None
    assert (status.history.delivered, status.history.lost, status.history.waiting) == (62, 0, 0)
    assert not made.status().connected


async def test_history_waits_while_the_peer_is_away_and_all_of_it_comes(keeper: Peer) -> None:
    outbox = MemoryOutbox(streams(TANKS[:2], 30))
    made = destination(keeper.plan, outbox)
    async with running(made):
        await asyncio.sleep(0.05)
        assert outbox.backlog().waiting == 60
        keeper.is_there()
        await until(lambda: outbox.backlog().waiting == 0)
        assert [keeper.history(tank) for tank in TANKS[:2]] == [30, 30]


async def test_another_in_its_place_goes_on_with_the_history(keeper: Peer) -> None:
    """Whatever it had taken and not delivered is there for the next."""
    keeper.is_there()
    outbox = MemoryOutbox(streams(TANKS[:2], 300))
    for least in (50, 300, 600):
        made = destination(keeper.plan, outbox)
        async with running(made):
            await until(functools.partial(has_arrived, outbox, least))
    assert all(keeper.history(tank) >= 300 for tank in TANKS[:2])
