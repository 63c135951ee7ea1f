"""The machine's clock is set while the gateway runs, and a simulated site whose time passes faster: history goes on."""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from functools import partial
from pathlib import Path

import pytest

from gateway.clock import SystemClock
from gateway.daemon import Daemon
from gateway.keeping import kept_in
from gateway.settings import load_site
from tests.crash.accounts import account, chain_of
from tests.crash.yard import TANKS, Broker, Yard, all_there, mqtt
from tests.processes.gateway_process import PATIENCE_S, eventually

pytestmark = pytest.mark.timeout(240)
HOUR_NS = 3_600_000_000_000


class SetClock(SystemClock):
    """The machine's, which somebody sets. What passes goes on as it does."""

    def __init__(self) -> None:
        self.ahead_ns = 0

    def utc_ns(self) -> int:
        return super().utc_ns() + self.ahead_ns


@asynccontextmanager
async def running(yard: Yard, clock: SetClock) -> AsyncIterator[Daemon]:
    settings = load_site(yard.site)
    gateway = Daemon(settings, clock=clock, keep=kept_in(None, settings.name, settings.ledger))
    task = asyncio.create_task(gateway.run())
    try:
        yield gateway
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def until(what: Callable[[], bool]) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while not what():  # noqa: ASYNC110 - what is waited for happens in files and other processes
            await asyncio.sleep(0.05)


async def test_history_goes_on_however_the_clock_is_set(tmp_path: Path) -> None:
    """Back by two hours, ahead by a hundred: each tank is kept as before, and nothing that waits for a destination goes
    by its age."""
    clock = SetClock()
    with Broker(tmp_path / "broker") as broker, Yard(tmp_path) as yard:
        yard.write_site({"mqtt": mqtt(broker.server.port, name="office")}, keep="1 h")
        async with running(yard, clock):
            await until(lambda: len(yard.rows()) >= 12)
            broker.server.freeze()
            waiting = {each.key for each in yard.rows()}
            for ahead_h in (-2, 100, 0):
                clock.ahead_ns = ahead_h * HOUR_NS
                before = Counter(each.key[0] for each in yard.rows())
                await until(partial(each_has_more, yard, before, 3))
            backlog = {each.key for each in yard.rows()}
            broker.server.thaw()
            await until(all_there(yard, broker.reader.history))
            arrived = broker.reader.history()
            there = {each.key for each in arrived}
        rows = [each for each in yard.rows() if each.key in there]
    assert waiting <= there
    assert backlog <= there
    kept = {each.key for each in rows}
    wrong = account(rows, [each for each in arrived if each.key in kept], breaks=3)
    assert not wrong, wrong


def each_has_more(yard: Yard, before: Counter[str], more: int) -> bool:
    now = Counter(each.key[0] for each in yard.rows())
    return all(now[f"TK-{n}"] >= before[f"TK-{n}"] + more for n in range(TANKS))


def test_a_site_whose_time_passes_faster_keeps_by_its_own_time(tmp_path: Path) -> None:
    """Ten minutes in a second: records stand `every` apart by the time of the site, what is older than `keep` and has
    arrived goes, and what waits stays."""
    with Broker(tmp_path / "broker") as broker, Yard(tmp_path) as yard:
        yard.write_site(
            {"mqtt": mqtt(broker.server.port, name="office")},
            simulated=True,
            period="150 s",
            every="10 min",
            keep="1 h",
        )
        with yard.gateway(shell='exec "$@" --time-factor 600') as gateway:
            yard.grows(30)
            first = yard.rows()[-1].position
            eventually(lambda: yard.rows()[0].position > first, "what is older than an hour and has arrived goes")
            broker.server.freeze()
            yard.grows(2)
            oldest = yard.rows()[-1].position
            eventually(lambda: yard.rows()[-1].instant_ns > yard.rows()[0].instant_ns + HOUR_NS * 3 // 2, "time passes")
            assert yard.rows()[0].position <= oldest
            broker.server.thaw()
            eventually(all_there(yard, broker.reader.history), "all comes")
            rows = yard.rows()
            yard.ends(gateway)
    assert not [wrong for wrong in chain_of(rows) if "comes after None" not in wrong]
    times = [each.instant_ns / 1e9 for each in rows if each.key[0] == "TK-1" and each.is_record]
    # One for each `every` of the site, and as many that changed at once, however late the machine is: by the machine's
    # time it would be one for each sheet, which is four times as many.
    assert len(times) <= 2 * (times[-1] - times[0]) / 600.0 + 8
