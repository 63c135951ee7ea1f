"""The daemon as a whole: it goes on whatever ends one of its loops, and a stop ends them all."""

import asyncio
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import pytest
from structlog.testing import capture_logs

from gateway import run_site
from gateway.daemon import Daemon
from gateway.delivery.contract import Wants
from gateway.delivery.destinations import DESTINATION_KINDS
from gateway.process import supervision
from gateway.process.stop_time import LAST_RESORT_S
from gateway.process.supervision import Loops
from gateway.resources import config_path
from gateway.settings import SiteSettings, load_site
from gateway.status import DestinationStatus
from gateway.tank_record import TankRecord
from gateway.web.plan import Readiness
from tests.support.endings import (
    Way,
    cancels_itself,
    ends,
    fails,
    fails_in_a_group,
    fails_with_a_cancellation_in_its_count,
    for_ever,
)

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


class Tick:
    """Stands in for the daemon's tick: ends in this way once, then times out, then goes on for ever."""

    def __init__(self, way: Way) -> None:
        self._way = way
        self.begun = 0
        self.counts: list[int] = []
        self.timed_out = asyncio.Event()

    async def __call__(self) -> None:
        task = asyncio.current_task()
        assert task is not None
        self.counts.append(task.cancelling())
        self.begun += 1
        if self.begun == 1:
            await self._way()
            return
        try:
            async with asyncio.timeout(0.001):
                await for_ever()
        except TimeoutError:
            self.timed_out.set()
        await for_ever()


@pytest.fixture
def site() -> SiteSettings:
    """One tank, and nothing that needs a broker or a port."""
    return replace(load_site(config_path("one_tank.yaml"), now=NOW), deliveries=(), http=None)


@pytest.mark.parametrize("way", [ends, fails, cancels_itself, fails_in_a_group, fails_with_a_cancellation_in_its_count])
async def test_after_one_fault_the_first_time_out_is_a_time_out(
    way: Way, site: SiteSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(supervision, "_BEGIN_AGAIN_FIRST_S", 0.001)
    gateway = Daemon(site)
    tick = Tick(way)
    monkeypatch.setattr(gateway, "_tick", tick)
    with capture_logs() as logs:
        task = asyncio.create_task(gateway.run())
        async with asyncio.timeout(10.0):
            await tick.timed_out.wait()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
    assert tick.counts == [0, 0]
    (entry,) = [each for each in logs if each["event"] == "gateway.task_failed"]
    assert (entry["task"], entry["log_level"]) == ("tick", "error")


async def test_a_stop_ends_it_also_while_a_loop_waits_to_be_begun_again(
    site: SiteSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Ten minutes to wait, of which the jitter leaves a part: only a stop that does not wait for it comes in time.
    monkeypatch.setattr(supervision, "_BEGIN_AGAIN_FIRST_S", 600.0)
    monkeypatch.setattr(supervision, "_BEGIN_AGAIN_LONGEST_S", 600.0)
    failed = asyncio.Event()

    async def tick(_: Daemon) -> None:
        failed.set()
        raise OSError("no buffer space")

    monkeypatch.setattr(Daemon, "_tick", tick)
    stop = asyncio.Event()
    with capture_logs() as logs:
        running = asyncio.create_task(run_site.run(site, stop=stop))
        await failed.wait()
        stop.set()
        async with asyncio.timeout(10.0):
            await running
    assert [each["event"] for each in logs][-1] == "gateway.stopped"
    assert asyncio.all_tasks() == {asyncio.current_task()}


@dataclass(frozen=True)
class Nowhere:
    name: str
    place: str = "nowhere"
    descriptors: int = 0
    longest_turn_s: float = 1.0


class Destination:
    """Stands in for a delivery, and notes in which order what happens."""

    wants = Wants()

    def __init__(self, seen: list[str], way: Way = for_ever) -> None:
        self._seen = seen
        self._way = way

    def offer(self, record: TankRecord) -> None:
        self._seen.append("offered")

    def finish(self, records: Sequence[TankRecord]) -> None:
        self._seen.append(f"last of {len(records)} tanks")

    async def run(self) -> None:
        try:
            await self._way()
        finally:
            self._seen.append("delivery ended")

    def status(self) -> DestinationStatus:
        return DestinationStatus("nowhere", True, 0, 0, 0, None)


def watched(gateway: Daemon, destination: Destination, seen: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """The gateway with that destination, and a line that reads nothing and notes its end."""

    async def line() -> None:
        try:
            await for_ever()
        finally:
            await asyncio.sleep(0)
            seen.append("line ended")

    monkeypatch.setitem(DESTINATION_KINDS, Nowhere, lambda plan, around: destination)
    gateway._deliveries.add(gateway._deliveries.made([Nowhere("nowhere")]))
    (source,) = gateway._sources.values()
    monkeypatch.setattr(source, "run", line)


async def test_a_stop_is_ordered(site: SiteSettings, monkeypatch: pytest.MonkeyPatch) -> None:
    """First nothing is read any more, then each tank says its last, and only then do the deliveries end."""
    seen: list[str] = []
    gateway = Daemon(site)
    watched(gateway, Destination(seen), seen, monkeypatch)
    # Each tank has spoken once, of an instrument that was not heard of.
    for tank in gateway._pipeline._tanks:
        tank.calculated_ns -= 10**12
    task = asyncio.create_task(gateway.run())
    async with asyncio.timeout(10.0):
        while not seen:  # noqa: ASYNC110 (the tick raises no event)
            await asyncio.sleep(0.001)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert seen == ["offered", "line ended", "last of 1 tanks", "delivery ended"]
    assert asyncio.all_tasks() == {asyncio.current_task()}


class TimeThatWaitingTakes:
    """A clock that goes on by what is waited, and by nothing else."""

    def __init__(self) -> None:
        self.now_ns = 10**18

    def utc_ns(self) -> int:
        return self.now_ns

    def monotonic_ns(self) -> int:
        return self.now_ns


@pytest.mark.parametrize("hang", [(), ("beside",), ("sources",), ("beside", "sources", "deliveries"), ("deliveries",)])
async def test_whatever_hangs_at_a_stop_the_ledger_has_its_time_before_the_last_resort(
    site: SiteSettings, monkeypatch: pytest.MonkeyPatch, hang: Sequence[str]
) -> None:
    """A signal gives the process ten seconds. What hangs takes all that it may; a disk that takes two seconds for each
    commit needs three to write down that the gateway has stopped."""
    clock = TimeThatWaitingTakes()
    gateway = Daemon(site, clock=clock)
    phases = iter(("beside", "sources", "deliveries"))
    ended = Loops.end
    shares: list[float] = []

    async def end(loops: Loops, names: Iterable[str], *, within_s: float) -> None:
        await ended(loops, names, within_s=within_s)
        clock.now_ns += round(within_s * 1e9) if next(phases) in hang else 0

    async def close(last: object, within_s: float = 3.0) -> None:
        shares.append(within_s)
        clock.now_ns += round(within_s * 1e9)

    monkeypatch.setattr(Loops, "end", end)
    monkeypatch.setattr(gateway._keeping, "close", close)
    task = asyncio.create_task(gateway.run({"reload": for_ever}))
    await asyncio.sleep(0)
    begun_ns = clock.now_ns
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert shares[0] >= 3.0
    assert (clock.now_ns - begun_ns) / 1e9 < LAST_RESORT_S


class MustEnd(BaseException):
    """What no supervision may keep in the process, as SystemExit is, which would end the loop of this test too."""


async def test_what_must_end_the_process_leaves_also_out_of_a_delivery(
    site: SiteSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def ends_all() -> None:
        await asyncio.sleep(0)
        raise MustEnd

    seen: list[str] = []
    gateway = Daemon(site)
    watched(gateway, Destination(seen, ends_all), seen, monkeypatch)
    with pytest.raises(MustEnd):
        await gateway.run()
    assert seen == ["delivery ended", "line ended", "last of 0 tanks"]
    assert asyncio.all_tasks() == {asyncio.current_task()}


async def test_a_last_sheet_that_fails_keeps_no_delivery_from_its_end(
    site: SiteSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails() -> None:
        raise ZeroDivisionError

    seen: list[str] = []
    gateway = Daemon(site)
    watched(gateway, Destination(seen), seen, monkeypatch)
    monkeypatch.setattr(gateway._pipeline, "finish", fails)
    task = asyncio.create_task(gateway.run())
    await asyncio.sleep(0.01)
    task.cancel()
    with pytest.raises(ZeroDivisionError):
        await task
    assert seen == ["line ended", "delivery ended"]


async def test_a_line_without_instruments_is_no_fault(site: SiteSettings) -> None:
    (line,) = site.lines
    empty = replace(line, name="spare", instruments=())
    gateway = Daemon(replace(site, sources=(line, empty)))
    task = asyncio.create_task(gateway.run())
    await asyncio.sleep(0)
    assert gateway._loops.names == ["page", "people", "deliveries", "tick", "entries", f"line {line.name}"]
    assert [status.line for status in gateway.snapshot().lines] == [line.name, "spare"]
    assert gateway.readiness().lines == 1
    assert "line spare" not in gateway._progress._due_ns
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


@pytest.mark.parametrize("way", [ends, fails, cancels_itself])
async def test_a_daemon_that_ends_though_nobody_stopped_it_is_an_error(
    way: Way, site: SiteSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def run(_: Daemon, beside: object) -> None:
        await way()

    monkeypatch.setattr(Daemon, "run", run)
    wanted = "no buffer space" if way is fails else "gateway (came to an end by itself|was cancelled)"
    with pytest.raises((OSError, RuntimeError), match=wanted):
        await run_site.run(site, stop=asyncio.Event())
    assert asyncio.all_tasks() == {asyncio.current_task()}


async def test_ready_is_what_every_line_and_every_tank_is() -> None:
    """Before anything was read no line is connected and no tank has a sheet: alive, and not ready."""
    gateway = Daemon(load_site(config_path("one_tank.yaml"), now=NOW))
    assert gateway.healthy()
    assert gateway.readiness() == Readiness(False, 1, 0, 1, 0, 0, 0, tanks_awaited=1)
