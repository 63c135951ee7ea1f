"""A gateway of two tanks that was started on a site file of its own, asked over HTTP by several administrators."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import httpx

from gateway.commands.service.site_looks import LOOKS
from gateway.process.running import Running
from gateway.reloading import Reloader
from gateway.settings import load_site
from gateway.settings.reading.source_files import sha256_of
from gateway.site_desk.source import SiteSource
from tests.page_answers.gate import Gate

__all__ = ["ADA", "BOB", "TABLE", "Yard", "yard"]

ADA = {"X-Test-Person": "ada administrator"}
BOB = {"X-Test-Person": "bob administrator"}
TABLE = """# name: TK-1, strapping of 2026
# level: mm
# volume: m3
# datum: datum plate
# date: 2026-10-01
# reference temperature: 15 degC
# liquid head: not included
# roof: not included
# heel: none
level,volume
0,0
5000,1275
10000,2550
14600,3723
"""


class _Claim:
    """Nobody else is on this machine."""

    def change(self, mine: Running) -> Running:
        return mine

    def answer(self, told: object) -> None:
        pass


class Yard(Gate):
    def __init__(self, folder: Path, *, text: str | None = None, ledger: bool = True, state: bool = True) -> None:
        super().__init__(folder, text=text, ledger=ledger)
        self.file = folder / "site.yaml"
        self.state = folder / "state"
        claim: Any = _Claim()
        self.reloader = Reloader(str(self.file), self._read, claim, self.daemon)
        self.desk = self.daemon.site_desk
        self.desk.open(SiteSource(self.file, self.state if state else None, self.reloader, LOOKS))

    def _read(self) -> tuple[Any, Running]:
        return load_site(self.file, now=self.now), Running("yard", 1, None, {})

    @property
    def sha(self) -> str:
        """Of what lies on the disk."""
        return sha256_of(self.file.read_bytes())

    @property
    def text(self) -> str:
        return self.file.read_text("utf-8")

    async def ask(self, word: str, who: dict[str, str] = ADA, **body: Any) -> httpx.Response:
        return await self.client.post(f"/api/1/site-file/{word}", json=body, headers=who)

    async def site_file(self, place: str = "", who: dict[str, str] = ADA) -> Any:
        answer = await self.client.get(f"/api/1/site-file{place}", headers=who)
        assert answer.status_code == 200, answer.text
        return answer.json()

    async def proposed(self, text: str, who: dict[str, str] = ADA, **more: Any) -> int:
        answer = await self.ask("propose", who, text=text, why="the roof was raised", based_on=self.sha, **more)
        assert answer.status_code == 200, answer.text
        number: int = answer.json()["proposal"]
        return number

    async def approved(self, number: int, who: dict[str, str] = BOB, **more: Any) -> httpx.Response:
        shown = {each["number"]: each["sha256"] for each in (await self.site_file())["proposals"]}
        return await self.ask("approve", who, proposal=number, sha256=shown[number], **more)

    async def audit(self) -> list[dict[str, Any]]:
        """Newest first."""
        answer = await self.client.get("/api/1/changes", headers=ADA)
        rows: list[dict[str, Any]] = answer.json()["rows"]
        return rows


@asynccontextmanager
async def yard(folder: Path, **given: Any) -> AsyncIterator[Yard]:
    opened = Yard(folder, **given)
    task = asyncio.create_task(opened.desk.run())
    try:
        await opened.turn()
        for _ in range(2):
            opened.sheets()
        while not opened.desk.is_settled:  # noqa: ASYNC110 (it is settled by a thread)
            await asyncio.sleep(0.01)
        yield opened
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
        await opened.close()
