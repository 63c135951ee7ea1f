"""What people ask of transfers and tickets of a running gateway."""

import asyncio
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, Protocol, TypeVar

from gateway.account.commands import ReverseTicket
from gateway.account.paper import Outcome
from gateway.account.plan import AccountPlan
from gateway.account.ticket import Ticket
from gateway.account.transfers.acts import TransferCommand
from gateway.account.transfers.acts import act as act_on_transfers
from gateway.account.transfers.book import TransferBook
from gateway.desk.begin import amount_uncertainty
from gateway.ledger.document_reading import tickets_with
from gateway.tank_record import TankRecord

__all__ = ["TransferActs"]

T = TypeVar("T")
Make = Callable[[TransferBook], tuple[TransferBook | None, Outcome]]


class Books(Protocol):
    """`Accounting`, as far as it is asked here."""

    plan: AccountPlan

    async def free_book(self) -> TransferBook: ...

    async def read(self, reading: Callable[[sqlite3.Connection], T]) -> T: ...

    async def commit(
        self, make: Make, *, by: str, asked: Mapping[str, Any] | None, why: str, only_tried: bool
    ) -> Outcome: ...

    def sheets(self) -> dict[str, TankRecord]: ...

    def now(self) -> datetime: ...


class TransferActs:
    """From the gateway's loop."""

    def __init__(self, books: Books) -> None:
        self._books = books
        self._reversals = asyncio.Lock()

    async def act(self, command: TransferCommand, request: Mapping[str, Any], *, only_tried: bool = False) -> Outcome:
        """Raises AccountRefusedError, NotKeptError: then nothing has happened."""
        if not isinstance(command, ReverseTicket):
            return await self._done(command, request, (), only_tried)
        if only_tried:
            # What takes no ticket back need not wait for those who do.
            await self._books.free_book()
            return await self._reversed(command, request, only_tried)
        # Who reads what stands before another's reversal is kept would take the same ticket back once more, and with
        # one in its place that would count twice.
        async with self._reversals:
            await self._books.free_book()
            return await self._reversed(command, request, only_tried)

    async def _reversed(self, command: ReverseTicket, request: Mapping[str, Any], only_tried: bool) -> Outcome:
        tickets = await self._books.read(lambda connection: tickets_with(connection, command.ticket))
        return await self._done(command, request, tickets, only_tried)

    async def _done(
        self, command: TransferCommand, request: Mapping[str, Any], tickets: Sequence[Ticket], only_tried: bool
    ) -> Outcome:
        books = self._books
        return await books.commit(
            lambda book: act_on_transfers(
                book, books.plan, command, books.sheets(), tickets, books.now(), amount_uncertainty
            ),
            by=command.by,
            asked=request,
            why=command.why,
            only_tried=only_tried,
        )
