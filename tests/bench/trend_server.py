"""A year of trend as the page asks for it: our server and answer, on a ledger of the bench, over loopback."""

import asyncio
import http.client
import sqlite3
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any, TypeVar

from gateway.account.plan import AccountPlan
from gateway.ledger.reading_thread import ReadingThread
from gateway.page_answers.parts import Parts
from gateway.page_answers.trends import Trends
from gateway.web.interface.contract import Call
from gateway.web.interface.part import Interface
from gateway.web.plan import HttpPlan, Readiness
from gateway.web.server import HttpServer

__all__ = ["asking"]

T = TypeVar("T")


class _Parts(Parts):
    """Of a site whose ledger is that file, at that time."""

    def __init__(self, file: Path, now_s: int, zone: AccountPlan) -> None:
        self._thread: ReadingThread[Any] = ReadingThread(file, "ledger people")
        self._now = datetime.fromtimestamp(now_s, UTC)
        self._site: Any = SimpleNamespace(account=zone, simulated=True)

    def now(self) -> datetime:
        return self._now

    def site(self) -> Any:
        return self._site

    def setup(self, call: Call) -> Any:
        return SimpleNamespace(plan=SimpleNamespace(tank=call.path["tank"]))

    async def read(self, reading: Callable[[sqlite3.Connection], T], *, is_fresh: bool = True) -> T:
        found: Future[T] = Future()

        def told(made: Any) -> None:
            if isinstance(made, Exception):
                found.set_exception(made)
            else:
                found.set_result(made)

        self._thread.read(reading, told)
        return await asyncio.wrap_future(found)


@contextmanager
def asking(file: Path, now_s: int, path: str) -> Iterator[Callable[[], bytes]]:
    """What asks for it, over a connection that stays, and gives the answer."""
    ready = threading.Event()
    told: list[Any] = []
    parts = _Parts(file, now_s, AccountPlan(UTC, "UTC"))

    async def serve() -> None:
        server = HttpServer(
            HttpPlan("127.0.0.1", 0),
            metrics=bytes,
            inventories=bytes,
            healthy=lambda: True,
            readiness=lambda: Readiness(True, 0, 0, 0, 0, 0, 0),
            parts=[Interface({"trend": Trends(parts).trend})],
        )
        task = asyncio.create_task(server.run())
        while server.port is None:  # noqa: ASYNC110 (the port is bound in a thread)
            await asyncio.sleep(0.005)
        told.extend((asyncio.get_running_loop(), task, server.port))
        ready.set()
        with suppress(asyncio.CancelledError):
            await task

    thread = threading.Thread(target=lambda: asyncio.run(serve()), daemon=True)
    thread.start()
    assert ready.wait(20.0)
    loop, task, port = told
    client = http.client.HTTPConnection("127.0.0.1", port, timeout=30.0)

    def ask() -> bytes:
        client.request("GET", path)
        answer = client.getresponse()
        body = answer.read()
        assert answer.status == 200, body
        return body

    try:
        yield ask
    finally:
        client.close()
        loop.call_soon_threadsafe(task.cancel)
        thread.join(20.0)
