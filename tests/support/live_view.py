"""For tests of the live view: a source that says what it is told to, a server on it, and a viewer as a page is one."""

import asyncio
import zlib
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager, suppress
from datetime import datetime
from typing import Any, NamedTuple

import orjson

from gateway.payload.page_view import AtWork
from gateway.records import Figure, Quality
from gateway.tank_record import TankRecord
from gateway.web.access.plan import AccessPlan, TlsFiles
from gateway.web.part import WebPart
from gateway.web.plan import HttpPlan, Readiness
from gateway.web.server import HttpServer
from gateway.web.stream.feed import Feed
from gateway.web.stream.routes import LiveView
from tests.support.records import BOOT, NOON, record

__all__ = ["Event", "Said", "Viewer", "applied", "level", "serving", "shown"]

PATIENCE_S = 30.0
_STAMPS = ("schema", "feed", "time", "machine_time")
READY = Readiness(True, 1, 1, 1, 1, 0, 0)


def level(tank: str, metres: float) -> TankRecord:
    """A sheet whose level is that."""
    return record(tank, level=Figure(metres, Quality.GOOD, (), 0.0))


class Said:
    """A `LiveSource` that says what it is told to; every clock of it stands still unless it is set."""

    def __init__(self, boot: str = BOOT) -> None:
        self.boot = boot
        self.newest: dict[str, TankRecord] = {}
        self.alarmed: list[dict[str, Any]] = []
        self.beside: dict[str, Any] = {
            "lines": [],
            "destinations": [],
            "transfers": [],
            "next_day_close": None,
            "entered": [],
        }
        self.version = 1
        self.at_work: dict[str, Sequence[AtWork]] = {}
        self.instant = NOON
        self.feed = Feed(self)

    def hear(self, *records: TankRecord) -> None:
        """As the gateway does."""
        for each in records:
            self.newest[each.identity.tank] = each
            self.feed.heard(each)

    def reload(self, *records: TankRecord) -> None:
        """Another site file, with these tanks."""
        self.newest = {each.identity.tank: each for each in records}
        self.version += 1

    def now(self) -> datetime:
        return self.instant

    def machine_now(self) -> datetime:
        return self.instant

    def records(self) -> Sequence[TankRecord]:
        return list(self.newest.values())

    def maintenance(self) -> Mapping[str, Sequence[AtWork]]:
        return self.at_work

    def alarms(self) -> Mapping[str, Any]:
        return {"alarms": list(self.alarmed), "sentences": []}

    def others(self) -> Mapping[str, Any]:
        return dict(self.beside)

    def site_version(self) -> int:
        return self.version

    async def site(self) -> bytes:
        return b"{}"


def applied(document: Mapping[str, Any], change: Mapping[str, Any]) -> dict[str, Any]:
    """What a page makes of a change: each member that it has takes the place of the one before, of tanks each row."""
    members = {name: value for name, value in change.items() if name != "tanks"}
    return {**document, **members, "tanks": {**document["tanks"], **change["tanks"]}}


def shown(document: Mapping[str, Any]) -> dict[str, Any]:
    """All of a view but when it is of."""
    return {name: value for name, value in document.items() if name not in _STAMPS}


class Event(NamedTuple):
    """One server-sent event."""

    kind: str
    id: str | None
    data: dict[str, Any]

    @classmethod
    def of(cls, text: bytes) -> "Event | None":
        """None: it holds nothing for a page, such as how long to wait until it asks again."""
        fields = dict(line.split(b": ", 1) for line in text.strip().split(b"\n"))
        if b"data" not in fields:
            return None
        named = fields.get(b"id")
        return cls(fields[b"event"].decode(), None if named is None else named.decode(), orjson.loads(fields[b"data"]))


class Viewer:
    """One page. It asks by HTTP/1.0, where nothing stands between the pieces of an answer."""

    def __init__(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, status: int, *, is_packed: bool
    ) -> None:
        self.reader = reader
        self.writer = writer
        self.status = status
        self.unpacker = zlib.decompressobj(zlib.MAX_WBITS | 16) if is_packed else None
        self._text = b""
        self.document: dict[str, Any] = {}
        self.last_id: str | None = None
        self.seen: list[Event] = []

    @classmethod
    async def at(
        cls, port: int, last_id: str | None = None, *, of: str = "127.0.0.1", path: str = "", packed: bool = False
    ) -> "Viewer":
        reader, writer = await asyncio.open_connection("127.0.0.1", port, local_addr=(of, 0), limit=2**26)
        named = "" if last_id is None else f"Last-Event-ID: {last_id}\r\n"
        named += "Accept-Encoding: gzip\r\n" if packed else ""
        writer.write(f"GET /api/1/live{path} HTTP/1.0\r\nHost: 127.0.0.1\r\n{named}\r\n".encode())
        async with asyncio.timeout(PATIENCE_S):
            head = await reader.readuntil(b"\r\n\r\n")
        is_packed = b"content-encoding: gzip\r\n" in head.lower()
        assert is_packed or not packed
        return cls(reader, writer, int(head.split(b" ", 2)[1]), is_packed=is_packed)

    async def next(self) -> Event:
        """The next event, taken in. Raises asyncio.IncompleteReadError where the stream has ended."""
        async with asyncio.timeout(PATIENCE_S):
            while (event := Event.of(await self._block())) is None:
                pass
        self.seen.append(event)
        if event.id is not None:
            self.last_id = event.id
        if event.kind == "view":
            self.document = event.data
        elif event.kind == "change":
            self.document = applied(self.document, event.data)
        return event

    async def _block(self) -> bytes:
        while b"\n\n" not in self._text:
            data = await self.reader.read(2**16)
            if not data:
                raise asyncio.IncompleteReadError(self._text, None)
            self._text += data if self.unpacker is None else self.unpacker.decompress(data)
        block, _, self._text = self._text.partition(b"\n\n")
        return block

    async def until(self, kind: str) -> Event:
        """The next event of that kind; those before it are taken in."""
        while (event := await self.next()).kind != kind:
            pass
        return event

    async def until_shows(self, tank: str, metres: float) -> None:
        while self.level(tank) != metres:
            await self.next()

    def level(self, tank: str) -> float | None:
        found: float | None = self.document.get("tanks", {}).get(tank, {}).get("level", {}).get("v")
        return found

    async def words(self) -> str:
        """Of an answer that is no stream, which is the end of it."""
        async with asyncio.timeout(PATIENCE_S):
            told = (await self.reader.read()).decode()
        self.close()
        return told

    def close(self) -> None:
        self.writer.transport.abort()


@asynccontextmanager
async def serving(said: Said, *beside: WebPart, most: int = 64, tls: TlsFiles | None = None) -> AsyncIterator[int]:
    """The port of a server whose live view is what is said."""
    server = HttpServer(
        HttpPlan("127.0.0.1", 0, connections=most, access=AccessPlan(tls=tls)),
        metrics=lambda: b"metrics 1\n",
        inventories=lambda: b"{}",
        healthy=lambda: True,
        readiness=lambda: READY,
        parts=(LiveView(said.feed, said), *beside),
    )
    tasks = [asyncio.create_task(server.run()), asyncio.create_task(said.feed.run())]
    try:
        async with asyncio.timeout(PATIENCE_S):
            while server.port is None and not tasks[0].done():  # noqa: ASYNC110 (bound in a thread)
                await asyncio.sleep(0.005)
        yield server.port or 0
    finally:
        for task in tasks:
            task.cancel()
            with suppress(asyncio.CancelledError):
                async with asyncio.timeout(PATIENCE_S):
                    await task
