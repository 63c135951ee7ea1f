"""Days of a running gateway: each closed at its time from what is kept, again where something came late; and amounts.

A boundary that passed while the gateway was down is closed afterwards. One close after the other, whoever asks for it.
"""

import asyncio
import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any

import structlog

from gateway.account.amounts.entering import KnownAmounts, enter_amount, reverse_amount
from gateway.account.amounts.file import import_amounts
from gateway.account.balance.stocked import measure_of
from gateway.account.commands import (
    AccountRefusedError,
    AmountCommand,
    CloseDay,
    EnterAmount,
    ImportAmounts,
    ReverseAmount,
)
from gateway.account.days.boundary import Day, ended_last
from gateway.account.days.close import close_day, day_paper
from gateway.account.days.due import AT_ONCE, ask_for_close, day_asked, days_due, days_touched
from gateway.account.gauging import gauging_of
from gateway.account.paper import AccountPaper, Outcome, PaperKind
from gateway.desk.accounting import Accounting
from gateway.errors import NotKeptError
from gateway.ledger.account_reading import closed_days, day_books, late_papers
from gateway.ledger.document_reading import known_of, spans_of

__all__ = ["DayCloses"]

CLOSED = "accounts.day_closed"
NOT_CLOSED = "accounts.day_not_closed"

_TURN_S = 1.0
_STEADY_S = 20.0
"""So long a day is due before it is closed: a clock that jumps ahead for a moment closes none."""
_SET_S = 3600.0
"""By more a clock that runs is not wrong by itself: somebody has set it, and it has to stand so for as long."""
_LATE_S = 20.0
"""After the last of what came late: entries come one by one."""
_AGAIN_S = 30.0
_OVER = ("closed", "cancelled")
_OF_TICKETS = {
    PaperKind.AMOUNT: ("ticket",),
    PaperKind.TICKET: ("reverses", "replaces"),
    PaperKind.TRANSFER: (),
    PaperKind.DAY: (),
}
"""By kind of paper: its fields that name a ticket."""


class DayCloses:
    def __init__(self, accounting: Accounting) -> None:
        self._accounts = accounting
        accounting.days, accounting.amounts, accounting.kept = self.asked, self.amount, self.kept
        self.clock_jump_s: Callable[[], float] = float
        """How far the clock has jumped without being confirmed; 0: it has not."""
        self._turn = asyncio.Lock()
        self._due_since: dict[str, float] = {}
        self._late: tuple[datetime, datetime] | None = None
        """From when to when something has changed since the days in it were closed."""
        self._late_since_s = 0.0
        self._not_before_s = 0.0
        self._meanwhile: list[AccountPaper] | None = None
        """While a day is closed: what is kept after its books were read."""
        self._late_tickets: set[int] = set()
        """What changed of these tickets or their documents: where both lie is late too."""
        self._has_looked = False
        self._looked_at: set[str] = set()
        """Days that were closed, or found to be as they are, in this process."""
        self._by_themselves: list[float] = []
        """When, of the days that were closed by themselves within the last hour."""
        self._offset_s: float | None = None
        self._set_at_s = -math.inf
        self.trouble = ""
        self.closed = 0
        """Revisions since the start."""
        self._log = structlog.get_logger("gateway.accounts")

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            await asyncio.sleep(_TURN_S)
            await self.look()

    async def look(self) -> None:
        """What is due is closed; what cannot be now is tried again, and said."""
        accounts = self._accounts
        if accounts.book is None or accounts.is_clock_impossible or accounts.steady_s() < self._not_before_s:
            return
        try:
            async with self._turn:
                self._refuse_set_clock()
                if not self._has_looked:
                    for paper in await accounts.read(late_papers):
                        self._note(paper)
                    self._has_looked = True
                for day in self._due():
                    await self._close(day)
                await self._close_again()
            self.trouble = ""
        except Exception as error:  # noqa: BLE001 - a close that fails is tried again; sheets and acts go on
            self._not_before_s = accounts.steady_s() + _AGAIN_S
            if not isinstance(error, NotKeptError | AccountRefusedError):
                self._log.exception(NOT_CLOSED)
            elif not self.trouble:
                self._log.error(NOT_CLOSED, trouble=str(error))
            self.trouble = f"a day cannot be closed: {error}"

    def _refuse_set_clock(self) -> None:
        """Raises NotKeptError for a while after the clock was set by much: a clock that jumps closes days that have not
        ended, or none for long."""
        steady_s = self._accounts.steady_s()
        offset_s = self._accounts.now().timestamp() - steady_s
        if self._offset_s is not None and abs(offset_s - self._offset_s) > _SET_S:
            self._set_at_s = steady_s
        self._offset_s = offset_s
        if steady_s - self._set_at_s < _SET_S:
            raise NotKeptError("the clock was set by more than 1 h; days are closed once it has stood so for 1 h")

    def _due(self) -> list[Day]:
        accounts, steady_s = self._accounts, self._accounts.steady_s()
        last, now = accounts.last_day(), accounts.now()
        if last is not None and max(datetime.fromisoformat(last[name]) for name in ("end", "made")) > now:
            # Closed by a clock that was ahead: what it said of a day is looked at again when that has really ended.
            ended = ended_last(accounts.plan, now - timedelta(seconds=accounts.plan.close_after_s))
            due = [] if ended.name in self._looked_at else [ended]
        else:
            due = days_due(accounts.plan, now, None if last is None else last["day"], accounts.first_sheet)
        self._by_themselves = [at_s for at_s in self._by_themselves if steady_s - at_s < _SET_S]
        due = due[: max(0, AT_ONCE - len(self._by_themselves))]
        self._due_since = {day.name: self._due_since.get(day.name, steady_s) for day in due}
        found = []
        for day in due:
            if steady_s - self._due_since[day.name] < _STEADY_S:
                break
            found.append(day)
        return found

    async def _close(self, day: Day) -> None:
        accounts = self._accounts
        plan, products = accounts.plan, self._held_at_end(day)
        with self._closing():
            books = await accounts.read(lambda connection: day_books(connection, plan, day, products))
            close = close_day(plan, day, books, accounts.now())
            self._looked_at.add(day.name)
            if close is None:
                return
            outcome = Outcome((day_paper(close),), (), (f"{close.day} closed as revision {close.revision}",))
            await accounts.commit(lambda _: (None, outcome))
        self.closed += 1
        self._by_themselves.append(accounts.steady_s())
        self._log.info(CLOSED, day=close.day, revision=close.revision, quality=close.quality.word, why=close.why)

    def _held_at_end(self, day: Day) -> Mapping[str, str]:
        """What a tank is put to at the boundary, or after it, is not of that day."""
        return self._accounts.products_at(day.end - timedelta(microseconds=1))

    # What came late

    def kept(self, outcome: Outcome) -> None:
        """All that holds from now on."""
        for paper in outcome.papers:
            self._note(paper)
        if self._meanwhile is not None:
            self._meanwhile += outcome.papers

    @contextmanager
    def _closing(self) -> Iterator[None]:
        """From the reading of a day's books until its close is kept. What is kept in between is not in it, and was not
        late either as long as the day was not closed."""
        self._meanwhile = []
        try:
            yield
        finally:
            meanwhile, self._meanwhile = self._meanwhile, None
            for paper in meanwhile:
                self._note(paper)

    def _note(self, paper: AccountPaper) -> None:
        span = _span(paper)
        if span is None:
            return
        named = (paper.document.get(name) for name in _OF_TICKETS[paper.kind])
        tickets = {number for number in named if number is not None}
        if tickets:
            self._late_tickets |= tickets
            self._late_since_s = self._accounts.steady_s()
        if self._is_late(span):
            self._late_since_s = self._accounts.steady_s()

    def _is_late(self, span: tuple[datetime, datetime]) -> bool:
        last = self._accounts.last_day()
        if last is None or span[0] >= datetime.fromisoformat(last["end"]):
            return False
        before = self._late
        self._late = span if before is None else (min(before[0], span[0]), max(before[1], span[1]))
        return True

    async def _close_again(self) -> None:
        late, accounts = self._late, self._accounts
        if accounts.steady_s() - self._late_since_s < _LATE_S:
            return
        tickets = frozenset(self._late_tickets)
        if tickets:
            for span in await accounts.read(lambda connection: spans_of(connection, tickets)):
                self._is_late(span)
            self._late_tickets -= tickets
            late = self._late
        if late is None:
            return
        begin = late[0] - timedelta(days=32)
        closed = await accounts.read(lambda connection: closed_days(connection, begin))
        for day in days_touched(accounts.plan, *late, closed):
            await self._close(day)
        if self._late == late:
            self._late = None

    # What people ask for

    async def asked(self, command: CloseDay, request: Mapping[str, Any], *, only_tried: bool = False) -> Outcome:
        """Raises AccountRefusedError, NotKeptError."""
        accounts = self._accounts
        self._refuse_clock()
        if only_tried:
            outcome = await self._closed(command)
            return await accounts.commit(lambda _: (None, outcome), only_tried=True)
        async with self._turn:
            with self._closing():
                outcome = await self._closed(command)
                kept = await accounts.commit(lambda _: (None, outcome), by=command.by, asked=request, why=command.why)
        self.closed += 1
        return kept

    async def _closed(self, command: CloseDay) -> Outcome:
        """What closing it would leave behind."""
        accounts = self._accounts
        plan, now = accounts.plan, accounts.now()
        day = day_asked(plan, command, now)
        products = self._held_at_end(day)
        books = await accounts.read(lambda connection: day_books(connection, plan, day, products))
        return ask_for_close(plan, command, books, now)

    async def amount(self, command: AmountCommand, request: Mapping[str, Any], *, only_tried: bool = False) -> Outcome:
        """Raises AccountRefusedError, NotKeptError."""
        accounts = self._accounts
        self._refuse_clock()
        if only_tried:
            outcome = await self._amount(command)
            return await accounts.commit(lambda _: (None, outcome), only_tried=True)
        async with self._turn:
            outcome = await self._amount(command)
            return await accounts.commit(lambda _: (None, outcome), by=command.by, asked=request, why=command.why)

    async def _amount(self, command: AmountCommand) -> Outcome:
        """What it would leave behind."""
        accounts = self._accounts
        amounts, tickets, last = await accounts.read(lambda connection: known_of(connection, command))
        gaugings = [gauging_of(record) for record in accounts.sheets().values()]
        balances = (accounts.last_day() or {"balances": ()})["balances"]
        before = {each["product"]: each["measure"] for each in balances}
        measures = {
            product: measure_of(accounts.plan, product, gaugings, before.get(product))
            for product in accounts.all_products()
        }
        is_open = () if accounts.book is None else tuple(accounts.book.transfers.values())
        known = KnownAmounts(amounts, tickets, measures, accounts.products, last, is_open)
        now = accounts.now()
        match command:
            case EnterAmount():
                return enter_amount(known, command, now)
            case ImportAmounts():
                return import_amounts(known, accounts.plan.zone, command.text, by=command.by, now=now)
            case ReverseAmount():
                return reverse_amount(known, command, now)

    def _refuse_clock(self) -> None:
        if self._accounts.is_clock_impossible:
            text = f"the clock of this machine says {self._accounts.now():%Y-%m-%d %H:%M} UTC, which cannot be"
            raise AccountRefusedError(text, "set it, and enter it again")
        if self.clock_jump_s():
            # The same as of what is entered of a tank: by a wrong time an amount is of another day.
            text = f"the clock of this machine went to {self._accounts.now():%Y-%m-%d %H:%M} UTC at once"
            raise AccountRefusedError(text, "have it synchronised, or start the gateway anew where it is right")


def _span(paper: AccountPaper) -> tuple[datetime, datetime] | None:
    """From when to when it changes what was there; None: it does not."""
    document = paper.document
    if paper.kind is PaperKind.AMOUNT:
        return paper.instant, paper.instant
    if paper.kind is PaperKind.TICKET:
        return datetime.fromisoformat(document["began"]), datetime.fromisoformat(document["ended"])
    began = document.get("began")
    if paper.kind is PaperKind.TRANSFER and document["phase"] in _OVER and began is not None:
        return datetime.fromisoformat(began), paper.instant
    return None
