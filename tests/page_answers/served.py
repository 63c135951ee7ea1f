"""A gateway without instruments behind a real server, in a thread with a loop of its own, for clients that wait."""

import asyncio
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from starlette.routing import BaseRoute, Route

from gateway.delivery.slices import joined
from gateway.page_joining import lines_now, readings_now
from gateway.payload.alarms import alarms_json
from gateway.payload.writer import inventories_pieces
from gateway.web.interface.part import Interface
from gateway.web.plan import HttpPlan, Readiness
from gateway.web.server import HttpServer
from tests.page_answers.gate import Gate, Persons
from tests.page_answers.test_acts import ADMINISTRATOR
from tests.site_desk.yard import yard as started

__all__ = ["served"]

_PATIENCE_S = 30.0


class _Part:
    """Whoever the header names has signed in."""

    def __init__(self, answers: Any) -> None:
        self._interface = Interface(answers)

    @property
    def routes(self) -> Sequence[BaseRoute]:
        found = list(self._interface.routes)
        for route in found:
            assert isinstance(route, Route)
            route.app = Persons(route.app, set())
        return found

    def end(self) -> None:
        self._interface.end()


@contextmanager
def served(folder: Path, **given: Any) -> Iterator[str]:
    """Its address. Two sheets of each tank are there, a day is closed, something is entered."""
    told: list[str] = []
    ready, stop = threading.Event(), asyncio.Event()
    loops: list[asyncio.AbstractEventLoop] = []

    async def serve() -> None:
        loops.append(asyncio.get_running_loop())
        async with started(folder, **given) as yard:
            server = _server(yard)
            task = asyncio.create_task(server.run())
            try:
                for _ in range(3):
                    yard.sheets(9.412)
                await yard.kept()
                for request in (
                    {"action": "dip", "tank": "TK-2", "level": "3.1 m"},
                    {"action": "plan-transfer", "kind": "receipt", "target": "TK-1"},
                    {"action": "close-day"},
                ):
                    await yard.turn()
                    await yard.act(request, who=ADMINISTRATOR)
                while server.port is None:  # noqa: ASYNC110 (the port is bound in a thread)
                    await asyncio.sleep(0.01)
                told.append(f"http://127.0.0.1:{server.port}")
                ready.set()
                while not stop.is_set():
                    await yard.turn()
                    await asyncio.sleep(0.02)
            finally:
                task.cancel()
                with suppress(asyncio.CancelledError):
                    await task

    thread = threading.Thread(target=lambda: asyncio.run(serve()), daemon=True)
    thread.start()
    assert ready.wait(_PATIENCE_S), "the server is there"
    try:
        yield told[0]
    finally:
        loops[0].call_soon_threadsafe(stop.set)
        thread.join(_PATIENCE_S)
        assert not thread.is_alive()


def _server(yard: Gate) -> HttpServer:
    daemon = yard.daemon
    return HttpServer(
        HttpPlan("127.0.0.1", 0),
        metrics=daemon._metrics.render_in_slices,
        inventories=lambda: joined(inventories_pieces(daemon.snapshot())),
        healthy=lambda: True,
        readiness=lambda: Readiness(True, 1, 1, 2, 2, 0, 0),
        readings=lambda: joined(readings_now(daemon.snapshot(), daemon.settings, yard.pipeline)),
        lines=lambda: lines_now(daemon.snapshot(), yard),
        alarms=lambda: alarms_json(daemon.snapshot()),
        accounts=daemon._accounts.pages,
        parts=[_Part(daemon._page.answers)],
    )
