"""The contract of a destination, kept by every kind there is: MQTT servers, a folder of files, and of those that the
plant reads what it says of them.

An edge node of Sparkplug takes history as all do: `keeper`. Of live records it says what a host can be told, and at its
end that the node is dead instead of last records: `test_births_data_and_a_death_as_any_host_reads_them`,
`test_absent_at_start_run_again_and_followed_by_another_it_goes_on`. Registers and OPC UA have no peer that could be
away, as they are asked and keep nothing for anybody: that the newest is told, counted and told again by one that is run
again, and that nothing stays Good at the end, is held by
`test_run_again_it_serves_again_and_at_the_end_who_is_there_is_let_go` and
`test_a_port_that_is_taken_is_said_and_taken_once_it_is_free` of registers,
`test_what_is_offered_is_delivered_lost_or_waiting`,
`test_where_the_gateway_is_silent_everything_is_bad_and_says_so` and
`test_a_server_that_is_killed_or_hangs_comes_back_with_the_same_nodes` of OPC UA. What is true of all of them before
they run: `test_those_that_the_plant_reads_begin_as_all_others_do`.
"""

import asyncio
import functools
import json
import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol

import pytest

from gateway.delivery.contract import DeliveryPlan, Destination, Wants
from gateway.delivery.destinations import DESTINATION_KINDS
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.delivery.plan import FilesPlan
from gateway.delivery.registers.plan import RegistersPlan
from gateway.delivery.sparkplug.plan import SparkplugPlan
from gateway.tank_record import TankRecord
from tests.support.deliveries import plan_for, until
from tests.support.destinations import destination, running
from tests.support.file_destination import FileDestination, FolderPlan
from tests.support.history_files import identities, unfinished
from tests.support.kept_entries import MemoryOutbox, kept_event, kept_record, streams
from tests.support.mosquitto import Mosquitto, free_port
from tests.support.mqtt_subscriber import Subscriber
from tests.support.records import record
from tests.support.sparkplug_rules import Watching

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


class PrimaryHost:
    """Of Sparkplug, at a server of its own: a foreign program that writes down what it is given."""

    def __init__(self, folder: Path) -> None:
        self._server = Mosquitto(folder, verbose=False)
        self._file = folder / "told.txt"
        self._listening: subprocess.Popen[bytes] | None = None
        self.plan = SparkplugPlan(
            (("127.0.0.1", self._server.port),),
            "plant",
            "harbour",
            "control",
            keepalive_s=1,
            backoff_first_s=0.02,
            backoff_longest_s=0.1,
            given_name="plant",
            host_silence_s=0.0,
        )

    def is_there(self) -> None:
        self._server.start()
        where = ["-h", "127.0.0.1", "-p", str(self._server.port)]
        with self._file.open("ab") as file:
            listens = ["mosquitto_sub", *where, "-q", "1", "-F", "%t %q %r %x", "-t", "spBv1.0/plant/#"]
            self._listening = subprocess.Popen(listens, stdout=file)
        told = json.dumps({"online": True, "timestamp": round(time.time() * 1000)})
        says = ["mosquitto_pub", *where, "-t", "spBv1.0/STATE/control", "-r", "-q", "1", "-m", told]
        subprocess.run(says, check=True, timeout=20)

    def is_away(self) -> None:
        if self._listening is not None:
            self._listening.kill()
            self._listening.wait()
        self._server.kill()

    async def newest(self, tank: str) -> int:
        raise NotImplementedError

    def history(self, tank: str) -> int:
        seen = Watching()
        for line in self._file.read_bytes().splitlines():
            topic, qos, retained, content = line.decode().split(" ")
            if "CMD/" not in topic:
                seen.take(topic, int(qos), retained == "1", bytes.fromhex(content))
        assert seen.broken == []
        return sum(device == tank and name == "sheet/sequence" for device, name, _ in seen.past)


@pytest.fixture(params=["3.1.1", "5", "sparkplug", "files", "csv", "parquet"])
def keeper(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Peer]:
    """One that takes history, whether it takes live records or not."""
    if request.param == "sparkplug":
        host = PrimaryHost(tmp_path)
        yield host
        host.is_away()
        return
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


@pytest.mark.parametrize("kind", ["sparkplug", "registers", "opcua"])
async def test_those_that_the_plant_reads_begin_as_all_others_do(kind: str, tmp_path: Path) -> None:
    plans: dict[str, DeliveryPlan] = {
        "sparkplug": SparkplugPlan((("127.0.0.1", free_port()),), "plant", "harbour", given_name="plant"),
        "registers": RegistersPlan("127.0.0.1", free_port(), (("TK-0", 1),), given_name="plant"),
        "opcua": OpcuaPlan("127.0.0.1", free_port(), tmp_path, given_name="plant"),
    }
    made = destination(plans[kind])
    assert (plans[kind].name, made.status().destination, made.wants) == ("plant", "plant", Wants(live=True))
    for sequence in (1, 2, 3):
        made.offer(record("TK-0", sequence))
        made.offer(record("TK-1", sequence))
    status = made.status()
    assert not status.connected
    # The newest of each tank waits, for which there is a place at all; what is counted is all that was offered.
    assert (status.history, status.delivered) == (None, 0)
    assert status.waiting <= 2
    assert status.waiting + status.lost + status.dropped == 6


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
