"""The accounts of a running gateway: every sheet and every act goes to the folds, and what they give is kept.

One commit after the other: a book holds once its papers are in the ledger, and what comes meanwhile waits in order. All
from the gateway's loop; nothing here waits for a disk but whoever asked for something.
"""

import asyncio
import math
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, TypeVar

import structlog

from gateway.account.commands import AccountCommand, AccountRefusedError, AmountCommand, CloseDay
from gateway.account.paper import Outcome
from gateway.account.plan import AccountPlan
from gateway.account.transfers.book import TransferBook
from gateway.account.transfers.follow import follow, tick
from gateway.account.transfers.restart import resumed
from gateway.actions.account_door import SiteFacts, account_command
from gateway.actions.account_requests import AccountAction
from gateway.actions.answers import NO_LEDGER, WITH_LEDGER, refused, well
from gateway.clock import Clock
from gateway.clock_watch import is_impossible
from gateway.desk.acts import TransferActs
from gateway.desk.begin import amount_uncertainty, book_from
from gateway.desk.told import account_audit, days_told, open_documents, told_events
from gateway.desk.waiting import Held, WaitingSheets
from gateway.errors import NotKeptError
from gateway.keeping import Keeping
from gateway.ledger.account_reading import before_this
from gateway.process.one_thread import done_within
from gateway.process.standing import IS_OUT, SIGN_IN, stands
from gateway.tank_record import TankRecord

__all__ = ["Accounting"]

BEGAN = "accounts.began"
FAULT = "accounts.fault"
NOT_KEPT = "accounts.not_kept"
UNREADABLE = "accounts.unreadable"
BEGUN_ANEW = "accounts.begun_anew"

_WRITE_S = 5.0
"""Longest that somebody waits for the disk."""
_TURN_S = 0.5
_AGAIN_S = 5.0
"""After the disk did not take something that the gateway itself found."""
_READ_S = 60.0
_STEP_S = 0.01
_AT_ONCE = 200
"""Sheets that waited: after so many others have their turn."""
T = TypeVar("T")


class Accounting:
    """An `AccountDoor`. `heard` for every record, in order; `run` as a loop of the gateway."""

    def __init__(
        self,
        boot: str,
        plan: AccountPlan,
        products: Callable[[datetime | None], Mapping[str, str]],
        keeping: Keeping,
        clock: Clock,
        records: Callable[[], Sequence[TankRecord]],
    ) -> None:
        """`products`: by tank of the site what it holds now, or held then; `records`: the newest of each tank."""
        self.plan = plan
        self._products = products
        self.known_products: Callable[[], frozenset[str]] = frozenset
        """That tanks of the site hold or held."""
        self.first_sheet: datetime | None = None
        """The oldest that is known of, by which a first day is closed."""
        self.kept: Callable[[Outcome], None] = lambda outcome: None
        """Told of all that holds from now on."""
        self.trouble = ""
        self.days: Callable[..., Any] | None = None
        self.amounts: Callable[..., Any] | None = None
        self.transfers = TransferActs(self).act
        self._boot = boot
        self._keeping = keeping
        self._clock = clock
        self._records = records
        self._book: TransferBook | None = None
        self._times_read = 0
        self._waiting = WaitingSheets()
        self._is_beginning = False
        """Whether what the file has is being read: until then nothing new is made of the book."""
        self._held: Held | None = None
        self._again_s = self._not_before_s = 0.0
        self._anew_s = -math.inf
        """When the file had last given a number to something else."""
        self._turn = asyncio.Lock()
        self._wake = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self.faults = 0
        self._log = structlog.get_logger("gateway.accounts")

    @property
    def products(self) -> Mapping[str, str]:
        """By tank of the site: what it holds now."""
        return self._products(None)

    def products_at(self, instant: datetime) -> Mapping[str, str]:
        """By tank of the site: what it held then."""
        return self._products(instant)

    def take_over(self, plan: AccountPlan) -> None:
        """Another site file."""
        self.plan = plan

    # Sheets

    def heard(self, record: TankRecord) -> None:
        """Every record of every tank, once and in order. Never waits, never raises."""
        if not self._keeping.keeps_papers:
            return
        if self.is_idle:
            self._follow(record)
        else:
            self._waiting.add(record)

    @property
    def _is_free(self) -> bool:
        """Whether there is a book of which something may be made."""
        return self._book is not None and self._held is None and not self._is_beginning

    def _follow(self, record: TankRecord) -> None:
        book = self._book
        assert book is not None
        if self.first_sheet is None:
            self.first_sheet = record.inventory.instant
        try:
            found = follow(book, self.plan, record, amount_uncertainty)
            if found is not None:
                self._hold_by_itself(*found)
        except Exception:  # noqa: BLE001 - a mistake in the accounts must not keep a sheet from being told
            self._failed("a sheet", record.identity.tank)

    def _drain(self) -> int:
        done = 0
        while self._is_free and len(self._waiting) and done < _AT_ONCE:
            self._follow(self._waiting.next())
            done += 1
        return done

    def _tick(self) -> None:
        book = self._book
        if book is None or not self.is_idle:
            return
        try:
            found = tick(book, self.plan, self.sheets(), self.now(), amount_uncertainty)
            if found is not None:
                self._hold_by_itself(*found)
        except Exception:  # noqa: BLE001 - likewise
            self._failed("the time", "")

    def _failed(self, what: str, tank: str) -> None:
        self.faults += 1
        self._log.exception(FAULT, what=what, tank=tank)

    # What people ask for

    async def act(
        self, request: Mapping[str, Any], action: AccountAction, person: str, *, only_tried: bool = False
    ) -> dict[str, Any]:
        """The answer, as `Acting` gives it. Raises SettingsError with every mistake."""
        command = account_command(action, person, self._facts(), self.now())
        if not self._keeping.keeps_papers:
            return refused(1, (NO_LEDGER,), WITH_LEDGER)
        try:
            outcome = await self._acted(request, command, only_tried)
        except AccountRefusedError as error:
            # Of a file each mistake has a line.
            return refused(1, tuple(str(error).splitlines()), error.hint)
        except NotKeptError as error:
            return refused(1, (str(error),), "see to the disk of the ledger, and look at what is open")
        return well(outcome.lines, outcome.notes)

    async def _acted(self, request: Mapping[str, Any], command: AccountCommand, only_tried: bool) -> Outcome:
        act: Callable[..., Any] | None = self.transfers
        if isinstance(command, CloseDay | AmountCommand):
            act = self.days if isinstance(command, CloseDay) else self.amounts
        assert act is not None
        outcome: Outcome = await act(command, request, only_tried=only_tried)
        return outcome

    async def commit(
        self,
        make: Callable[[TransferBook], tuple[TransferBook | None, Outcome]],
        *,
        by: str = "",
        asked: Mapping[str, Any] | None = None,
        why: str = "",
        only_tried: bool = False,
    ) -> Outcome:
        """What is made of the book as it is then, kept; it holds when this comes back. `only_tried`: it is not kept.

        Raises NotKeptError, and what `make` raises: then nothing has happened.
        """
        if only_tried:
            return make(await self.free_book())[1]
        async with self._turn:
            book = await self.free_book()
            if not stands():
                raise AccountRefusedError(IS_OUT, SIGN_IN)
            after, outcome = make(book)
            if not outcome.papers:
                return outcome
            held = self._hold(outcome, after, by, account_audit(outcome, self._open(), by, asked, why), by_itself=False)
            if not await done_within(held.future, _WRITE_S):
                raise NotKeptError(f"the disk has not taken it in within {_WRITE_S:g} s: it holds once it has")
            error = held.future.exception()
            self._settle()
            if error is not None:
                raise NotKeptError(f"it could not be kept, and does not hold: {error}")
            self._drain()
            return outcome

    async def read(self, reading: Callable[[sqlite3.Connection], T]) -> T:
        """From the ledger, with all that was taken in before. Raises NotKeptError where that cannot be."""
        future = self._keeping.read(reading)
        if not await done_within(future, _READ_S):
            raise NotKeptError("the disk does not give what was kept")
        if (error := future.exception()) is not None:
            raise NotKeptError(f"the ledger cannot be read: {error}")
        return future.result()

    async def free_book(self) -> TransferBook:
        """Once what comes before it is kept."""
        try:
            async with asyncio.timeout(_WRITE_S):
                while not self.is_idle:
                    await asyncio.sleep(_STEP_S)
                    self._settle()
                    self._drain()
        except TimeoutError:
            trouble = self.trouble or "what came before it is not on the disk yet"
            raise NotKeptError(f"nothing was taken in: {trouble}") from None
        assert self._book is not None
        return self._book

    # What is kept holds

    def _hold_by_itself(self, book: TransferBook, outcome: Outcome) -> None:
        self._hold(outcome, book, "", account_audit(outcome, self._open(), "", None, ""), by_itself=True)

    def _hold(self, outcome: Outcome, book: TransferBook | None, by: str, audit: str, *, by_itself: bool) -> Held:
        self._held = Held(self._kept(outcome, by, audit), outcome, book, by_itself, audit, by)
        return self._held

    def _kept(self, outcome: Outcome, by: str, audit: str) -> "Future[None]":
        now = self.now()
        events = told_events(outcome, now, by)
        future = self._keeping.keep_account(outcome.papers, events, (round(now.timestamp() * 1e9), audit))
        future.add_done_callback(self._woken)
        return future

    def _woken(self, _: "Future[None]") -> None:
        loop = self._loop
        if loop is not None:
            # The loop may have ended meanwhile.
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(self._wake.set)

    def _settle(self) -> None:
        """What is on the disk holds; what the disk refused and nobody waits for is tried again."""
        held = self._held
        if held is None or not held.future.done():
            return
        if (error := held.future.exception()) is None:
            self._held, self.trouble = None, ""
            if held.book is not None:
                self._book = held.book
            try:
                self.kept(held.outcome)
            except Exception:  # noqa: BLE001 - what is kept holds, whoever cannot hear it
                self._failed("what was kept", "")
        elif isinstance(error, sqlite3.IntegrityError):
            # The file has given these numbers to something else: what it says counts.
            self._held = None
            self._times_read, self._is_beginning = 0, True
            self._not_before_s, self._anew_s = self._anew_s + _AGAIN_S, self.steady_s()
            self._log.error(BEGUN_ANEW, error=str(error), hint="the accounts go on with what the file has")
        elif not held.by_itself:
            self._held = None
        elif self.steady_s() >= self._again_s:
            self._again_s = self.steady_s() + _AGAIN_S
            if not self.trouble:
                self._log.error(NOT_KEPT, papers=[paper.key for paper in held.outcome.papers], error=str(error))
            self.trouble = f"the disk does not take in what is to be kept: {error}"
            held.future = self._kept(held.outcome, held.by, held.audit)

    # A start

    async def run(self) -> None:
        """Until cancelled."""
        self._loop = asyncio.get_running_loop()
        while True:
            with suppress(TimeoutError):
                async with asyncio.timeout(_TURN_S):
                    await self._wake.wait()
            self._wake.clear()
            await self.turn()

    async def turn(self) -> None:
        """What is due now: what a file has that was opened, what is on the disk, what waited, what time brings."""
        await self._begin()
        self._settle()
        if self._drain() == _AT_ONCE:
            self._wake.set()
        self._tick()

    async def _begin(self) -> None:
        """With what a file of the ledger has, each time that one was opened."""
        known, times_read = self._keeping.known_accounts()
        if known is None and self._keeping.keeps_papers:
            self.trouble = "the ledger cannot be opened yet"
        if known is None or times_read == self._times_read or self._held is not None:
            return
        if self.steady_s() < self._not_before_s:
            return
        now, tanks = self.now(), frozenset(self.products)
        self._is_beginning = True
        try:
            before = await self.read(lambda connection: before_this(connection, self._boot, tanks, now))
        except NotKeptError as error:
            self.trouble = str(error)
            self._is_beginning = self._book is not None and not self._times_read
            return
        self._is_beginning = False
        self._keeping.found_accounts(before.known)
        book, troubles = book_from(before)
        for trouble in troubles:
            self._log.error(UNREADABLE, trouble=trouble, hint="see `tank-gateway ledger verify`")
        is_first, self._times_read = self._book is None, times_read
        self.trouble = "; ".join(troubles)
        self.first_sheet = before.first_sheet or self.first_sheet
        self._book = book if self._book is None else book._replace(seen=self._book.seen)
        self._log.info(BEGAN, open=len(book.transfers), last_ticket=book.last_ticket)
        if is_first and (found := resumed(self._book, before.records, now, before.rested)) is not None:
            self._hold_by_itself(*found)

    # What is told

    def open_transfers(self) -> list[dict[str, Any]]:
        """As documents for those outside, each with how far it has come."""
        if self._book is None:
            return []
        return open_documents(self.plan, self._book, self.sheets(), self.now())

    def handover(self) -> dict[str, Any]:
        days = days_told(self.plan, self.now(), self.last_day(), self.first_sheet)
        return {"transfers": self.open_transfers(), "days": days, "time_zone": self.plan.time_zone}

    @property
    def is_idle(self) -> bool:
        """Whether nothing waits to be kept."""
        return self._is_free and not len(self._waiting)

    @property
    def book(self) -> TransferBook | None:
        return self._book

    def sheets(self) -> dict[str, TankRecord]:
        """The newest of each tank."""
        return {record.identity.tank: record for record in self._records()}

    def now(self) -> datetime:
        return datetime.fromtimestamp(self._clock.utc_ns() / 1e9, UTC)

    @property
    def is_clock_impossible(self) -> bool:
        return is_impossible(self._clock.utc_ns())

    def last_day(self) -> Mapping[str, Any] | None:
        """The newest close there is."""
        known, _ = self._keeping.known_accounts()
        return None if known is None else known.day

    def _open(self) -> Mapping[int, Mapping[str, Any]]:
        known, _ = self._keeping.known_accounts()
        return {} if known is None else known.transfers

    def _facts(self) -> SiteFacts:
        return SiteFacts(self.products, self.all_products())

    def all_products(self) -> frozenset[str]:
        """Those of which there may be amounts: a document comes when no tank holds its product any more, too."""
        return frozenset(self.products.values()) | frozenset(self.plan.measures) | self.known_products()

    def steady_s(self) -> float:
        """By a clock that is never set."""
        return self._clock.monotonic_ns() / 1e9
