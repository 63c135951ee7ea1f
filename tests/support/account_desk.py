"""The accounts of a yard with a ledger on the disk: the daemon's part without instruments, on a clock of the test."""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from gateway.account.plan import AccountPlan
from gateway.actions.account_requests import AccountAction
from gateway.actions.requests import read_action
from gateway.desk.accounting import Accounting
from gateway.desk.days import DayCloses
from gateway.keeping import Keeping, kept_in
from gateway.ledger.plan import LedgerPlan
from gateway.tank_record import TankRecord
from tests.support.account_yard import PLAN, Tank, Yard

__all__ = ["Desk"]

SITE = "harbour"


@dataclass
class Desk:
    """`begin`, then `passes` and `ask`; `stops` or `dies`, and `begin` again."""

    folder: Path
    yard: Yard = field(default_factory=lambda: Yard({"TK-1": Tank("TK-1"), "TK-2": Tank("TK-2", level_m=8.0)}))
    plan: AccountPlan = PLAN
    every_s: float = 30.0
    heard: list[TankRecord] = field(default_factory=list)
    words: dict[str, list[tuple[datetime, str]]] = field(default_factory=dict)
    """By tank, the newest first: what it holds from when on, beside what its sheets say."""

    def utc_ns(self) -> int:
        return round(self.yard.now.timestamp() * 1e9)

    def monotonic_ns(self) -> int:
        return round(self.yard.steady_s * 1e9)

    @property
    def file(self) -> Path:
        return self.folder / "harbour.ledger"

    async def begin(self, *, wait: bool = True) -> None:
        plan = LedgerPlan(file=self.file, every_s=1.0, commit_s=0.01)
        self.keeping: Keeping = kept_in(self.folder, SITE, plan)(self.yard.boot, self)
        self.newest: dict[str, TankRecord] = {}
        products = {tag: tank.product for tag, tank in self.yard.tanks.items()}

        def held(at: datetime | None) -> Mapping[str, str]:
            instant = at or self.yard.now
            return {
                tag: next((word for since, word in self.words.get(tag, ()) if since <= instant), product)
                for tag, product in products.items()
            }

        self.accounts = Accounting(
            self.yard.boot, self.plan, held, self.keeping, self, lambda: list(self.newest.values())
        )
        self.days = DayCloses(self.accounts)
        await self.accounts.turn()
        self.sheets_heard()
        if wait:
            await self.settled()

    async def hear(self) -> None:
        """One sheet of every tank, and what comes of it is kept."""
        self.sheets_heard()
        await self.settled()

    def sheets_heard(self) -> None:
        """One of every tank, as the daemon would hand them on."""
        for tag in self.yard.tanks:
            record = self.yard.sheet(tag)
            self.newest[tag] = record
            self.keeping.offer(record, lambda tank: lambda: b"{}")
            self.accounts.heard(record)

    async def settled(self) -> None:
        """Until nothing waits for the disk."""
        async with asyncio.timeout(20.0):
            while True:
                await self.accounts.turn()
                if self.accounts.is_idle:
                    return
                await asyncio.sleep(0.002)

    async def passes(self, seconds: float, *, days: bool = False) -> None:
        passed = 0.0
        while passed < seconds:
            step = min(self.every_s, seconds - passed)
            self.yard.passes(step)
            for tank in self.yard.tanks.values():
                tank.level_m += tank.rate_m_s * step
            passed += step
            await self.hear()
            if days:
                await self.days.look()

    async def ask(self, by: str = "kim", **request: str) -> dict[str, Any]:
        answer = await self.accounts.act(request, self.action(request), by)
        await self.settled()
        return answer

    def action(self, request: Mapping[str, str]) -> AccountAction:
        """As the door reads it."""
        action = read_action(request)
        assert isinstance(action, AccountAction)
        return action

    async def well(self, **request: str) -> list[str]:
        answer = await self.ask(**request)
        assert answer["code"] == 0, answer
        return list(answer["lines"])

    async def ends(self, boot: str = "boot-2") -> None:
        """Stopped, and the next start has another name."""
        await self.keeping.close(None)
        self.yard.boot = boot
        for tank in self.yard.tanks.values():
            tank.sequence = 0

    def phases(self) -> Mapping[int, str]:
        book = self.accounts.book
        assert book is not None
        return {number: transfer.phase.value for number, transfer in book.transfers.items()}

    def with_plan(self, **changes: Any) -> "Desk":
        self.plan = replace(self.plan, **changes)
        return self
