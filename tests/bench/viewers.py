"""Viewers of the live view, as a process of their own: `python -m tests.bench.viewers PORT`.

Its lines of input: `open N` opens so many, `open N packed` such as take gzip, and each answers with how long each
waited for its whole view; `begin` forgets what was counted; `end` tells it; `close` closes all. Only the first of them
reads what it is told, so that a process of many takes no part of the machine for that: the age of each row when its
last byte has come, by the clock both share.
"""

import asyncio
import json
import sys
import time
import zlib
from collections.abc import AsyncIterator, Callable
from datetime import datetime
from typing import Any

__all__ = ["main"]


class Viewers:
    def __init__(self, port: int) -> None:
        self._port = port
        self._tasks: list[asyncio.Task[None]] = []
        self._writers: list[asyncio.StreamWriter] = []
        self._count = 0
        self._ages_s: list[float] = []
        self._events: dict[str, int] = {}

    async def open(self, number: int, *, packed: bool) -> list[float]:
        return [await self._opened(packed=packed) for _ in range(number)]

    async def _opened(self, *, packed: bool) -> float:
        begun = time.monotonic()
        reader, writer = await asyncio.open_connection("127.0.0.1", self._port, limit=2**26)
        # By this version nothing stands between the pieces.
        accepted = b"Accept-Encoding: gzip\r\n" if packed else b""
        writer.write(b"GET /api/1/live HTTP/1.0\r\nHost: 127.0.0.1\r\n%s\r\n" % accepted)
        head = await reader.readuntil(b"\r\n\r\n")
        assert b" 200 " in head.split(b"\r\n")[0], head
        told = _told(reader, self._counted, packed=packed)
        async for event in told:
            if b"event: view" in event:
                break
        waited_s = time.monotonic() - begun
        reads = self._counts(reader) if self._tasks else self._listens(told)
        self._tasks.append(asyncio.create_task(reads))
        self._writers.append(writer)
        return waited_s

    async def _counts(self, reader: asyncio.StreamReader) -> None:
        while await reader.read(2**20):
            pass

    def _counted(self, count: int) -> None:
        self._count += count

    async def _listens(self, told: AsyncIterator[bytes]) -> None:
        async for event in told:
            now = time.time()
            lines = event.split(b"\n")
            kind = next((line[7:].decode() for line in lines if line.startswith(b"event: ")), "")
            self._events[kind] = self._events.get(kind, 0) + 1
            if kind == "change":
                (data,) = [line for line in lines if line.startswith(b"data: ")]
                document: dict[str, Any] = json.loads(data[6:])
                for row in document["tanks"].values():
                    self._ages_s.append(now - datetime.fromisoformat(row["time"]).timestamp())

    def begin(self) -> None:
        self._count, self._ages_s, self._events = 0, [], {}

    def end(self) -> dict[str, Any]:
        return {"bytes": self._count, "ages_s": sorted(self._ages_s), "events": self._events}

    async def close(self) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        for writer in self._writers:
            writer.close()
        self._tasks, self._writers = [], []


async def _told(reader: asyncio.StreamReader, counted: Callable[[int], None], *, packed: bool) -> AsyncIterator[bytes]:
    """Events, whole; `counted` hears how many bytes come."""
    unpacker = zlib.decompressobj(zlib.MAX_WBITS | 16) if packed else None
    text = b""
    while data := await reader.read(2**20):
        counted(len(data))
        text += data if unpacker is None else unpacker.decompress(data)
        *events, text = text.split(b"\n\n")
        for event in events:
            yield event


async def main(port: int) -> None:
    viewers = Viewers(port)
    while line := await asyncio.to_thread(sys.stdin.readline):
        word, *rest = line.split()
        answer: Any = "well"
        match word:
            case "open":
                answer = await viewers.open(int(rest[0]), packed="packed" in rest)
            case "begin":
                viewers.begin()
            case "end":
                answer = viewers.end()
            case _:
                await viewers.close()
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1])))
