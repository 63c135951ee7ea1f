"""The contract of a source, kept by every kind there is: Modbus lines, and a logger that drops files."""

import asyncio
import json
import random
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Protocol

import pytest

from gateway.acquisition.plan import InstrumentPlan, LinePlan
from gateway.acquisition.source import Source, SourcePlan, Surroundings
from gateway.acquisition.source_kinds import SOURCE_KINDS, make_source
from gateway.clock import SystemClock
from gateway.records import Quality, Reading, ReasonCode
from tests.acquisition.virtual_line import ONE_BLOCK
from tests.processes.gateway_process import Instruments
from tests.support.deliveries import until
from tests.support.file_logger import FileLogger, LoggerPlan


class Peer(Protocol):
    """What a source reads from, in the hands of the test."""

    @property
    def plan(self) -> SourcePlan: ...

    def speaks(self) -> None: ...

    def is_away(self) -> None: ...

    def is_back(self) -> None: ...

    @property
    def connections(self) -> int: ...


class ModbusPeer:
    def __init__(self) -> None:
        self._server = Instruments(value=5000)
        self._server.start()
        gauge = InstrumentPlan("LT-1", 1, ONE_BLOCK, 0.05, 1.0)
        self.plan = LinePlan("yard", "127.0.0.1", self._server.port, (gauge,), backoff_longest_s=0.1)

    def speaks(self) -> None:
        """It does, whenever it is asked."""

    def is_away(self) -> None:
        self._server.stop()

    def is_back(self) -> None:
        self._server.start()

    @property
    def connections(self) -> int:
        return len(self._server._connections)


class FilePeer:
    def __init__(self, folder: Path) -> None:
        self.plan = LoggerPlan("drop", folder, ("LT-1",))
        folder.mkdir()

    def speaks(self) -> None:
        file = self.plan.folder / "LT-1.json"
        if self.plan.folder.is_dir() and not file.exists():
            file.with_suffix(".part").write_text(json.dumps({"level": 5000}), "utf-8")
            file.with_suffix(".part").rename(file)

    def is_away(self) -> None:
        for file in self.plan.folder.iterdir():
            file.unlink()
        self.plan.folder.rmdir()

    def is_back(self) -> None:
        self.plan.folder.mkdir()

    @property
    def connections(self) -> int:
        return 0


@pytest.fixture(params=["modbus", "files"])
def peer(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Peer]:
    monkeypatch.setitem(SOURCE_KINDS, LoggerPlan, FileLogger)
    made: Peer = ModbusPeer() if request.param == "modbus" else FilePeer(tmp_path / "drop")
    yield made
    with suppress(OSError, AssertionError):
        made.is_away()


class Watched:
    """A source and all that came of it."""

    def __init__(self, plan: SourcePlan) -> None:
        self.calls: list[Sequence[Reading]] = []
        self.turns: list[float] = []
        around = Surroundings(self.calls.append, SystemClock(), random.Random(1), self.turns.append)
        self.source: Source = make_source(plan, around)

    def heard(self, quality: Quality) -> list[Reading]:
        return [reading for call in self.calls for reading in call if reading.quality is quality]

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Runs it until the end of the block, and sees that it ends by being told to and by nothing else."""
        task = asyncio.create_task(self.source.run())
        try:
            yield
        finally:
            assert not task.done()
            task.cancel()
            async with asyncio.timeout(10.0):
                with suppress(asyncio.CancelledError):
                    await task
            assert task.cancelled()


async def good(watched: Watched, peer: Peer, before: int = 0) -> None:
    def more() -> bool:
        peer.speaks()
        return len(watched.heard(Quality.GOOD)) > before

    await until(more)


async def test_before_it_runs_nothing_is_read_and_its_state_is_told(peer: Peer) -> None:
    watched = Watched(peer.plan)
    peer.speaks()
    await asyncio.sleep(0.05)
    assert (watched.calls, peer.connections) == ([], 0)
    assert watched.source.status().line == peer.plan.name
    assert not watched.source.status().connected
    (instrument,) = watched.source.instrument_statuses()
    assert (instrument.instrument, instrument.line, instrument.up) == ("LT-1", peer.plan.name, False)


async def test_what_the_peer_says_comes_to_the_sink_and_turns_are_told(peer: Peer) -> None:
    watched = Watched(peer.plan)
    async with watched.running():
        await good(watched, peer)
        assert watched.source.status().connected
        (instrument,) = watched.source.instrument_statuses()
        assert instrument.up
        assert instrument.last_answer_ns is not None
    reading = watched.heard(Quality.GOOD)[0]
    assert (reading.instrument, reading.signal, reading.value) == ("LT-1", "level", 5000)
    assert all(call and len({each.instrument for each in call}) == 1 for call in watched.calls)
    assert watched.turns
    assert min(watched.turns) >= 0.0
    assert not watched.source.status().connected


async def test_told_to_end_it_lets_go_and_says_nothing_more(peer: Peer) -> None:
    watched = Watched(peer.plan)
    async with watched.running():
        await good(watched, peer)
    calls = len(watched.calls)
    peer.speaks()
    await until(lambda: peer.connections == 0)
    await asyncio.sleep(0.15)
    assert len(watched.calls) == calls


async def test_a_peer_that_goes_is_a_reason_and_one_that_comes_back_is_read(peer: Peer) -> None:
    watched = Watched(peer.plan)
    async with watched.running():
        await good(watched, peer)
        peer.is_away()
        await until(lambda: watched.heard(Quality.BAD))
        await until(lambda: not watched.source.status().connected)
        reason = watched.heard(Quality.BAD)[-1].reason
        assert reason is not None
        assert reason.code is ReasonCode.NO_CONNECTION
        assert watched.heard(Quality.BAD)[-1].value is None
        before = len(watched.heard(Quality.GOOD))
        peer.is_back()
        await good(watched, peer, before)
        assert watched.source.status().connected


async def test_run_again_it_begins_anew(peer: Peer) -> None:
    """As supervision does after a mistake in the program."""
    watched = Watched(peer.plan)
    for _ in range(3):
        before = len(watched.heard(Quality.GOOD))
        async with watched.running():
            await good(watched, peer, before)


async def test_a_mistake_behind_the_sink_leaves_it(peer: Peer) -> None:
    def sink(_: Sequence[Reading]) -> None:
        raise ZeroDivisionError

    source = make_source(peer.plan, Surroundings(sink, SystemClock(), random.Random(1), lambda _: None))
    task = asyncio.create_task(source.run())

    def ended() -> bool:
        peer.speaks()
        return task.done()

    await until(ended)
    with pytest.raises(ZeroDivisionError):
        await task
    await until(lambda: peer.connections == 0)


def test_what_a_reading_means_is_told_by_the_plan(peer: Peer) -> None:
    assert list(peer.plan.meanings) == ["LT-1"]
    assert (peer.plan.descriptors, peer.plan.longest_turn_s > 0.0) == (1, True)
