"""The process of the OPC UA server: it is told by the gateway on its standard input, and reads history from the ledger.

It ends when that input does. Before that, all that it shows becomes Bad, and stays so for a moment, for whoever reads.
"""

import asyncio
import resource
import signal
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import structlog

from gateway.clock import SystemClock
from gateway.delivery.opcua.feed import LONGEST_LINE, FeedError, line, message, past_figures, plan_of
from gateway.delivery.opcua.looked_at import trouble_with_own
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.delivery.opcua.server.history import Page, Sample
from gateway.delivery.opcua.server.serving import OpcuaServer
from gateway.delivery.opcua.server.stay import LOOK_S
from gateway.errors import GatewayError
from gateway.ledger.raw_history import Page as KeptPage
from gateway.ledger.raw_history import Wanted, page_of
from gateway.ledger.reading_thread import ReadingThread

__all__ = ["main"]

_SILENT_S = 5.0
"""After so long without a word of the gateway nothing that is shown is the present."""
_LINGER_S = 5.0
"""For how long clients are still told that the gateway is gone, where it did not say so itself."""
_GOODBYE_S = 1.5
_LOOK_S = 0.5
_REPORT_S = 2.0

_PAGE_S = 0.5
"""Of one read of history."""
_MOST_UNREAD = 1_000_000
_FILES = 4096
_CLOCK = SystemClock()


def steady_s() -> float:
    return _CLOCK.monotonic_ns() / 1e9


class _Out:
    """To the gateway. Never waits: what it does not take in is let go."""

    def __init__(self, transport: asyncio.WriteTransport) -> None:
        self._transport = transport

    def say(self, content: Mapping[str, Any]) -> None:
        if not self._transport.is_closing() and self._transport.get_write_buffer_size() < _MOST_UNREAD:
            self._transport.write(line(content))

    def log(self, _logger: Any, method: str, told: Any) -> Any:
        """A processor of structlog, the last."""
        event = told.pop("event", "")
        level = "warning" if method == "warn" else method
        self.say({"log": [level, event, {key: str(value) for key, value in told.items()}]})
        raise structlog.DropEvent


class _Ledger:
    """The history of the site, read by a thread of its own."""

    def __init__(self, file: Path, *, simulated: bool) -> None:
        """`simulated`: whether the site is, now."""
        self._simulated = simulated
        self._thread: ReadingThread[KeptPage] = ReadingThread(file, "opcua history")

    async def read(
        self, tank: str, begin_ns: int, until_ns: int, forward: bool, beyond: int | None, at_most: int
    ) -> Page:
        """Raises OSError."""
        loop = asyncio.get_running_loop()
        future: asyncio.Future[KeptPage] = loop.create_future()
        wanted = Wanted(tank, begin_ns, until_ns, forward, beyond, at_most)

        def told(found: KeptPage | Exception) -> None:
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(_settle, future, found)

        def reading(connection: Any) -> KeptPage:
            until_s = steady_s() + _PAGE_S
            return page_of(connection, wanted, lambda: steady_s() < until_s)

        self._thread.read(reading, told)
        page = await future
        samples = []
        for number, record in enumerate(page.records):
            samples.append(
                Sample(record.inventory.instant.timestamp(), past_figures(record, simulated=self._simulated))
            )
            if number % 100 == 99:
                await asyncio.sleep(0)
        return Page(tuple(samples), page.beyond)


def _settle(future: "asyncio.Future[KeptPage]", found: KeptPage | Exception) -> None:
    if future.done():
        return
    if isinstance(found, Exception):
        future.set_exception(OSError(str(found)))
    else:
        future.set_result(found)


async def serve() -> int:
    """Until the gateway ends, or says so. A service manager that stops both tells the gateway; the rest follows."""
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader(limit=LONGEST_LINE)
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    transport, _ = await loop.connect_write_pipe(asyncio.BaseProtocol, sys.stdout)
    out = _Out(transport)
    structlog.configure(processors=[out.log])
    try:
        told = message(await reader.readline())
        plan = plan_of(told)
    except FeedError as error:
        out.say({"failed": str(error)})
        return 1
    _bound(plan)
    ledger = told.get("ledger")
    history = None if ledger is None else _Ledger(Path(ledger), simulated=bool(told["simulated"])).read
    server = OpcuaServer(plan, told, steady_s, history)
    try:
        await server.start()
    except (OSError, GatewayError, ValueError) as error:
        why = (error.strerror if isinstance(error, OSError) else None) or str(error)
        out.say({"failed": f"it cannot serve at {plan.host}:{plan.port}: {why}"})
        await asyncio.sleep(0.1)
        return 1
    out.say({"ready": server.port})
    # A folder that answers slowly may hold up who is looked at, and never that what holds no more becomes Bad.
    looking = [
        asyncio.create_task(_look(server), name="look at values"),
        asyncio.create_task(_look_again(server), name="look at clients"),
        asyncio.create_task(_report(server, out), name="report"),
    ]
    try:
        is_told = await _follow(server, reader, out, looking)
    finally:
        for each in looking:
            each.cancel()
    await server.gone()
    await asyncio.sleep(_GOODBYE_S if is_told else _LINGER_S)
    await server.stop()
    return 0


def _bound(plan: OpcuaPlan) -> None:
    """What the process may take, whatever its clients do."""
    most = plan.memory_mb * 1024 * 1024
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
    with suppress(ValueError, OSError):
        _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(_FILES, hard), hard))


async def _follow(
    server: OpcuaServer, reader: asyncio.StreamReader, out: _Out, looking: "Sequence[asyncio.Task[None]]"
) -> bool:
    """Until the gateway ends; whether it said so. A gateway that is silent is waited for, and all is Bad meanwhile."""
    reading = asyncio.create_task(reader.readline(), name="read")
    while True:
        await asyncio.wait([reading, *looking], timeout=_SILENT_S, return_when=asyncio.FIRST_COMPLETED)
        for each in looking:
            if each.done():
                each.result()
        if not reading.done():
            await server.gone()
            continue
        text = reading.result()
        if not text:
            return False
        told = message(text)
        if "end" in told:
            return True
        reading = asyncio.create_task(reader.readline(), name="read")
        await server.take(told)
        if "line" in told:
            out.say({"took": told["line"]})


async def _look_again(server: OpcuaServer) -> None:
    while True:
        await asyncio.sleep(LOOK_S)
        await server.look_again()


async def _look(server: OpcuaServer) -> None:
    """What holds no more becomes Bad."""
    while True:
        await server.space.look()
        await asyncio.sleep(_LOOK_S)


async def _report(server: OpcuaServer, out: _Out) -> None:
    """Who is connected is said, and which certificate ends soon, which is read beside the loop."""
    before: Any = None
    while True:
        warnings = await asyncio.get_running_loop().run_in_executor(None, trouble_with_own, server.certificates)
        told = {"clients": server.clients(), "warnings": warnings}
        if told != before:
            before = told
            out.say(told)
        await asyncio.sleep(_REPORT_S)


def main() -> None:
    sys.exit(asyncio.run(serve()))


if __name__ == "__main__":
    main()
