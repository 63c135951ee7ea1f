"""What a story has left in the ledger: transfers, tickets, amounts and days, as whoever audits it reads them."""

import asyncio
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from gateway.account.amount import AMOUNT, Amount
from gateway.account.day import DAY, DayClose
from gateway.account.gauging import MEASURES
from gateway.account.paper import PaperKind
from gateway.account.ticket import TICKET, Ticket
from gateway.account.transfer import TRANSFER, MarkKind, Transfer
from gateway.ledger.account_papers import StoredPaper, papers_between
from gateway.ledger.plan import LedgerPlan
from gateway.ledger.reading_file import opened
from gateway.plain_form import PlainForm
from tests.end_to_end.story import Story

__all__ = ["LEDGER", "Kept", "marks_of", "moved"]

LEDGER = LedgerPlan(commit_s=0.05)
_PATIENCE_S = 40.0
"""Of the machine, for one thing to come: far more than it takes, also where the machine is busy."""
_FOREVER_NS = 1 << 62
T = TypeVar("T")


class Kept:
    """The ledger of a story, read beside the gateway."""

    def __init__(self, story: Story, folder: Path, site: str = "demo") -> None:
        self._story = story
        self._file = folder / f"{site}.ledger"

    async def ask(self, action: str, by: str = "loader", **fields: str) -> Mapping[str, Any]:
        """What somebody types at `transfers` or `stock`; it has to be done."""
        answer = await self.try_to(action, by, **fields)
        assert answer["code"] == 0, answer
        return answer

    async def try_to(self, action: str, by: str = "loader", **fields: str) -> dict[str, Any]:
        return await self._story.gateway.acting.act({"action": action, **fields}, by)

    def transfers(self) -> dict[int, Transfer]:
        """By number, each as its newest paper has it."""
        return {each.number: each for each in self._all(PaperKind.TRANSFER, TRANSFER)}

    def tickets(self) -> list[Ticket]:
        return self._all(PaperKind.TICKET, TICKET)

    def amounts(self) -> list[Amount]:
        return self._all(PaperKind.AMOUNT, AMOUNT)

    def days(self) -> list[DayClose]:
        """Every revision."""
        return self._all(PaperKind.DAY, DAY)

    async def transfer(self, wanted: Callable[[Transfer], object]) -> Transfer:
        """The first that is as wanted, once there is one."""
        return await self._first(lambda: list(self.transfers().values()), wanted, "no transfer is so")

    async def ticket(self, wanted: Callable[[Ticket], object] = lambda ticket: True) -> Ticket:
        return await self._first(self.tickets, wanted, "there is no such ticket")

    async def day(self, wanted: Callable[[DayClose], object] = lambda day: True) -> DayClose:
        return await self._first(self.days, wanted, "no such day is closed")

    async def _first(self, all_there: Callable[[], list[T]], wanted: Callable[[T], object], otherwise: str) -> T:
        try:
            async with asyncio.timeout(_PATIENCE_S):
                while True:
                    found = next((each for each in all_there() if wanted(each)), None)
                    if found is not None:
                        return found
                    await asyncio.sleep(0.05)
        except TimeoutError:
            open_ = [(each.phase, each.waits_for, each.marks) for each in self.transfers().values()]
            raise AssertionError(f"{otherwise}: {all_there()}; {open_}; {self._story.alarms()}") from None

    def _all(self, kind: PaperKind, form: PlainForm[T]) -> list[T]:
        """As they were kept."""
        with opened(self._file) as connection:
            papers = list(papers_between(connection, kind, 0, _FOREVER_NS))
        assert all(isinstance(each, StoredPaper) for each in papers), papers
        ordered = sorted((each for each in papers if isinstance(each, StoredPaper)), key=lambda each: each.number)
        return [
            form.from_plain({name: value for name, value in each.document.items() if name not in ("schema", "key")})
            for each in ordered
        ]


def moved(ticket: Ticket, measure: str = "gsv") -> float:
    """SI; it has to be known."""
    assert measure in MEASURES
    value = ticket.moved[measure].value
    assert value is not None, ticket.moved[measure]
    return value


def marks_of(paper: Transfer | Ticket) -> set[MarkKind]:
    return {mark.kind for mark in paper.marks}


def hours(begin: datetime, end: datetime) -> float:
    return (end - begin).total_seconds() / 3600.0
