"""A gateway without instruments that is asked over HTTP: its parts as the daemon joins them, on a clock of the test.

Readings are given by the test; who asks stands in a header of its own, in the place of a session.
"""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
from starlette.applications import Starlette
from starlette.types import ASGIApp, Receive, Scope, Send

from gateway.daemon import Daemon
from gateway.keeping import kept_in
from gateway.ledger.plan import LedgerPlan
from gateway.page_answers.parts import Parts
from gateway.person import Person, Role
from gateway.records import Quality, Reading
from gateway.web.interface.routes import routes
from gateway.web.interface.table import ENDPOINTS
from tests.actions.desk import BEGIN, site_text
from tests.settings.yard import load

__all__ = ["OPERATOR", "Gate", "Persons", "gate"]

PRODUCTS = """products:
  gasoline:
    method: api_11_1_2004
    group: refined
    reference_temperature: 15 degC
    reference_density: {value: 742 kg/m3, entered: 2026-11-20T06:00Z, expires: 31 d}
"""
OPERATOR = {"X-Test-Person": "anna operator"}


class Gate:
    """`read` gives readings; `get` and `act` ask."""

    def __init__(self, folder: Path, *, text: str | None = None, ledger: bool = True) -> None:
        self.folder = folder
        self.now = BEGIN
        self.settings = load(folder, site_text() + PRODUCTS if text is None else text)
        plan = LedgerPlan(file=folder / "yard.ledger", every_s=1.0, commit_s=0.05) if ledger else None
        self.daemon = Daemon(self.settings, clock=self, keep=kept_in(None, "yard", plan))
        self.pipeline = self.daemon._pipeline
        self.accounts = self.daemon._accounts._accounts
        self.parts = Parts(self.daemon, self.pipeline, self.daemon._keeping, self)
        application = Starlette(routes=routes(ENDPOINTS, self.daemon._page.answers))
        self.out: set[str] = set()
        transport = httpx.ASGITransport(Persons(application, self.out))
        self.client = httpx.AsyncClient(transport=transport, base_url="http://gate", timeout=30.0)

    def utc_ns(self) -> int:
        return round(self.now.timestamp() * 1e9)

    def monotonic_ns(self) -> int:
        return round((self.now - BEGIN).total_seconds() * 1e9) + 1_000_000_000_000

    def passes(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)

    def read(self, instrument: str = "G-1", quality: Quality = Quality.GOOD, **signals: float) -> None:
        self.pipeline.take(
            [
                Reading(instrument, name, value, quality, None, self.utc_ns(), self.monotonic_ns(), (17, 4))
                for name, value in signals.items()
            ]
        )

    def sheets(self, level_m: float = 9.412, *, water_m: float = 0.035, warmth_c: float = 15.0) -> None:
        """One of every tank."""
        self.passes(11)
        self.read(t1=warmth_c, water=water_m, innage=level_m)
        list(self.pipeline.overdue())

    async def turn(self) -> None:
        """What is due of actions and accounts."""
        await self.accounts.turn()
        await self.daemon.acting._settle()

    async def kept(self) -> None:
        """All that was taken in is on the disk, and a record after it: minutes end by those that come later."""
        for _ in range(2):
            await asyncio.wrap_future(self.daemon._keeping.read_aside(lambda _: None, is_fresh=True))
            self.passes(10)
            self.sheets()
        await asyncio.wrap_future(self.daemon._keeping.read_aside(lambda _: None, is_fresh=True))

    async def get(self, path: str, **query: str) -> httpx.Response:
        return await self.client.get(path, params=query)

    async def page(self, path: str, **query: str) -> dict[str, Any]:
        answer = await self.get(path, **query)
        assert answer.status_code == 200, answer.text
        found: dict[str, Any] = answer.json()
        return found

    async def act(
        self, request: Mapping[str, Any], *, tries: bool = False, who: Mapping[str, str] = OPERATOR
    ) -> httpx.Response:
        return await self.client.post("/api/1/act", params={"try": "yes"} if tries else {}, json=request, headers=who)

    async def close(self) -> None:
        await self.client.aclose()
        await self.daemon._keeping.close(None)


class Persons:
    """Whoever the header names has signed in."""

    def __init__(self, application: ASGIApp, out: set[str]) -> None:
        """`out`: names of those whose sessions have ended meanwhile."""
        self._application, self._out = application, out

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = {name.decode(): value.decode() for name, value in scope.get("headers", [])}
        name, _, role = headers.get("x-test-person", "").partition(" ")
        scope.setdefault("state", {})["person"] = Person(name, Role(role)) if role else None
        scope["state"]["stands"] = lambda: name not in self._out
        await self._application(scope, receive, send)


@asynccontextmanager
async def gate(folder: Path, **given: Any) -> AsyncIterator[Gate]:
    opened = Gate(folder, **given)
    try:
        await opened.turn()
        yield opened
    finally:
        await opened.close()
