"""People act on the running gateway: what they ask for is checked, kept, and only then holds.

One action after the other, so that what stood before it is what it says. What is entered is in the ledger before it
counts; without a ledger a value or maintenance is refused, as a restart would lose it, while an alarm can be acted on.
"""

import asyncio
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future
from datetime import UTC, datetime
from typing import Any, NamedTuple

import orjson
import structlog

from gateway.actions.account_door import AccountDoor, NoAccounts
from gateway.actions.account_requests import AccountAction
from gateway.actions.alarm_door import AlarmCommand, AlarmDoor, Refusal, command_of
from gateway.actions.answers import (
    NO_LEDGER,
    WITH_LEDGER,
    audit_body,
    entered_answer,
    entered_status,
    list_document,
    refused,
    well,
)
from gateway.actions.book import Book, Change
from gateway.actions.entry import PRODUCT, Entry, utc_text
from gateway.actions.held_product import HeldProduct
from gateway.actions.product_words import product_rows, products_told, step_states
from gateway.actions.products import ProductStep
from gateway.actions.requests import Action, read_action
from gateway.binding import TankBinding
from gateway.calculation.plan import TankPlan
from gateway.clock import Clock
from gateway.clock_watch import is_impossible
from gateway.end_clock import EndClock
from gateway.entry_papers import EntryPapers
from gateway.errors import SettingsError
from gateway.keeping import Keeping
from gateway.payload.alarms import standing_document
from gateway.process.one_thread import done_within
from gateway.process.standing import IS_OUT, SIGN_IN, stands
from gateway.settings import SiteSettings, TankSetup
from gateway.status import EnteredStatus
from gateway.watch.plan import WatchPlan

__all__ = ["Acting", "Tried"]

ACTION_DONE = "action.done"
ACTION_REFUSED = "action.refused"
ACTION_FAILED = "action.failed"
ENTRY_NOT_TAKEN = "entry.not_taken"
ENTRY_EXPIRED = "entry.expired"
ENTRY_NOT_KEPT = "entry.not_kept"
PRODUCT_CHANGED = "product.changed"
PRODUCT_DIFFERS = "product.differs"

_WRITE_S = 5.0
"""Longest that somebody waits for the disk."""
_TURN_S = 0.5
_NOT_IN_TRAIL = "it holds, but the disk has not taken it in yet: a crash before that would undo it; see to the disk"
_AGAIN_S = 10.0
"""After the disk did not take an expiry."""


class _Late(NamedTuple):
    """On its way to the disk: it holds once it is there, whether somebody waits for it or not."""

    future: "Future[None]"
    entries: tuple[Entry, ...]
    held: tuple[HeldProduct, ...] = ()


class Tried(NamedTuple):
    """What an action would lead to."""

    answer: dict[str, Any]
    setups: Iterable[TankSetup] = ()
    """The tanks whose sheets would go by something else, as they would be; each is made when it is asked for."""


class Acting:
    """All from the gateway's loop. `accounts` may be set at any time."""

    alarms: AlarmDoor
    """To be set before anybody acts: what it leads to rests on what is entered, so that it comes after this."""

    def __init__(
        self,
        settings: SiteSettings,
        keeping: Keeping,
        clock: Clock,
        rebind: Callable[[TankBinding], None],
        refit: Callable[[TankSetup], None] = lambda _: None,
        ends: EndClock | None = None,
    ) -> None:
        """`rebind` makes a tank's sheets go by another binding, at once; `refit` by another product too. `ends`: the
        clock by which entries end."""
        self._ends = EndClock(clock) if ends is None else ends
        self.accounts: AccountDoor = NoAccounts()
        self._keeping = keeping
        self._clock = clock
        self._rebind = rebind
        self._refit = refit
        self._book = Book()
        self._papers = EntryPapers(keeping, self._book)
        self._turn = asyncio.Lock()
        self._late: list[_Late] = []
        self._expiries_after_s = 0.0
        self._products_after_s = 0.0
        self._told: list[EnteredStatus] = []
        self._told_version = -1
        self._log = structlog.get_logger("gateway.actions")
        self._tell_troubles(self._book.take_over(settings, self._now()))
        entries, held = self._papers.read()
        self._tell_troubles(self._book.turn(self._now(), held, entries, self._papers.doubt())[1])
        for remark in self.remarks():
            self._log.warning(PRODUCT_DIFFERS, trouble=remark)

    def watched(self, settings: SiteSettings) -> list[tuple[TankPlan, TankBinding, float]]:
        """What the pipeline is to watch by these settings, with what people have entered."""
        self._tell_troubles(self._book.take_over(settings, self._now()))
        bindings = self._book.bindings()
        return [(each.plan, bindings[tag], each.period_s) for tag, each in self._book.products.setups.items()]

    def products(self, at: datetime | None = None) -> dict[str, str]:
        """What each of them holds, or held then."""
        return self._book.products.names(at)

    def products_known(self) -> frozenset[str]:
        """Those that any of them holds, or held."""
        return self._book.products.known()

    def watches(self) -> dict[str, WatchPlan]:
        """How each of them is watched, with what it holds."""
        return {tag: setup.watch for tag, setup in self._book.products.setups.items()}

    def setup(self, tank: str) -> TankSetup:
        """With what it holds and what people have entered. Raises KeyError for a tank that is not watched."""
        return self._book.setup(tank)

    def refuse(self, settings: SiteSettings) -> None:
        """Raises SettingsError where these cannot tell what a tank holds."""
        self._book.products.refuse(settings, self._now())

    def remarks(self) -> tuple[str, ...]:
        """Where the site file names another product than a tank holds, a line each."""
        return tuple(f"{tank}: {text}" for tank, text in products_told(self._book.products.remarks(self._now())))

    def entered(self) -> list[EnteredStatus]:
        """What people have entered and what is made of it at present."""
        if self._told_version != self._book.version:
            self._told_version = self._book.version
            now = self._now()
            self._told = [entered_status(each) for each in self._book.standings(self._now_of_ends())]
            remarks = self._book.products.remarks(now)
            self._told += [EnteredStatus(tank, PRODUCT, True, text) for tank, text in products_told(remarks)]
        return self._told

    async def answer(self, line: bytes, person: str) -> bytes:
        """One request of one person: JSON in, JSON out, a line each. Raises nothing for what anybody can send."""
        try:
            request = orjson.loads(line)
            if not isinstance(request, dict):
                raise ValueError("it is no object")
        except ValueError as error:
            return orjson.dumps(refused(2, (f"the request is no JSON: {error}",), "use `tank-gateway enter`")) + b"\n"
        try:
            answer = await self.act(request, person)
        except Exception as error:  # noqa: BLE001 - whoever asked is told, and the others are heard as before
            self._log.exception(ACTION_FAILED, by=person, request=f"{request!s:.500}")
            answer = refused(1, (f"a fault in the program: {type(error).__name__}: {error}",), "its log tells more")
        return orjson.dumps(answer) + b"\n"

    async def act(self, request: Mapping[str, Any], person: str) -> dict[str, Any]:
        """The answer: `code` as exit codes have it, `lines` for people, `hint`, and what there is for programs."""
        if request.get("action") == "list":
            return self._list()
        try:
            action = read_action(request)
            if isinstance(action, AccountAction):
                # They have a turn of their own: what waits for history to be read keeps no alarm from being acted on.
                answer = await self.accounts.act(request, action, person)
            else:
                command = command_of(action, person)
                async with self._turn:
                    if not stands():
                        answer = refused(1, (IS_OUT,), SIGN_IN)
                    elif command is not None:
                        answer = await self._act_on_alarm(request, *command)
                    else:
                        answer = await self._enter(request, action, person)
        except SettingsError as error:
            answer = refused(2, error.mistakes, error.hint or "")
        log = self._log.info if answer["code"] == 0 else self._log.warning
        event = ACTION_DONE if answer["code"] == 0 else ACTION_REFUSED
        log(event, by=person, request=f"{request!s:.500}", said=answer["lines"])
        return answer

    async def tried(self, request: Mapping[str, Any], person: str) -> Tried:
        """What `act` would answer, by the same checks and the same books. Nothing is kept, told or waited for."""
        if request.get("action") == "list":
            return Tried(self._list())
        try:
            action = read_action(request)
            if isinstance(action, AccountAction):
                return Tried(await self.accounts.act(request, action, person, only_tried=True))
            command = command_of(action, person)
            if command is None:
                return self._entry_tried(action, person)
            return Tried(self._answer_on_alarm(*command, self.alarms.apply(*command, only_tried=True)))
        except SettingsError as error:
            return Tried(refused(2, error.mistakes, error.hint or ""))

    def _list(self) -> dict[str, Any]:
        now, products = self._now(), self._book.products
        rows = product_rows(products.histories(), products.remarks(now))
        standings, alarms = self._book.standings(self._now_of_ends()), self.alarms.standings()
        return {**list_document(now, standings, alarms), "products": rows, **self.accounts.handover()}

    async def run(self) -> None:
        """What has expired is told once, and what came to the disk late holds from then on. Until cancelled."""
        while True:
            await self._settle()
            await self._reread()
            async with self._turn:
                await self._expire()
                await self._hold_products()
            await asyncio.sleep(_TURN_S)

    # Values and maintenance

    async def _enter(self, request: Mapping[str, Any], action: Action, person: str) -> dict[str, Any]:
        now = self._now()
        step, changes = self._found(action, person, now)
        if (refusal := self._refusal(now)) is not None:
            return refusal
        entries = tuple(change.after for change in changes) if step is None else step.entries
        body = audit_body(request, person, action.why, changes, *(() if step is None else step_states(step)))
        steps = () if step is None else (step,)
        future = self._papers.keep(entries, now, (round(now.timestamp() * 1e9), body), steps)
        held = tuple(each.after for each in steps)
        self._late.append(_Late(future, entries, held))
        if not await done_within(future, _WRITE_S):
            text = f"the disk has not taken it in within {_WRITE_S:g} s: it holds once it has"
            return refused(1, (text,), "look at `tank-gateway enter list`, and at the log of the gateway")
        await self._settle()
        if (error := future.exception()) is not None:
            return refused(1, (f"it could not be kept, and does not hold: {error}",), "see to the disk of the ledger")
        return entered_answer(self._book, step, changes, now)

    def _found(self, action: Action, person: str, now: datetime) -> tuple[ProductStep | None, tuple[Change, ...]]:
        """What the action would make of what stands. Raises SettingsError."""
        step = self._book.step(action, person, now)
        return step, () if step is not None else self._book.changes(action, person, now)

    def _refusal(self, now: datetime) -> dict[str, Any] | None:
        """Why nothing can be taken in now."""
        if is_impossible(self._clock.utc_ns()):
            text = f"the clock of this machine says {utc_text(now)}, which cannot be: nothing was taken in"
            return refused(1, (text,), "set it, and enter it again")
        if self._ends.jump_s:
            text = f"the clock of this machine went to {utc_text(now)} at once: nothing was taken in"
            return refused(1, (text,), "have it synchronised, or start the gateway anew where it is right")
        if not self._keeping.keeps_papers:
            return refused(1, (NO_LEDGER,), WITH_LEDGER)
        if self._late:
            return refused(1, ("an entry before this one is not on the disk yet",), "look at `enter list`, try again")
        return None

    def _entry_tried(self, action: Action, person: str) -> Tried:
        """On a copy of the book."""
        now = self._now()
        step, changes = self._found(action, person, now)
        if (refusal := self._refusal(now)) is not None:
            return Tried(refusal)
        book = self._book.copied()
        entries = tuple(change.after for change in changes) if step is None else step.entries
        held = () if step is None else (step.after,)
        tanks, _ = book.turn(now, held, entries, self._papers.doubt())
        touched = dict.fromkeys([*tanks, *(tank for entry in entries for tank in book.tanks_of(entry))])
        return Tried(entered_answer(book, step, changes, now), map(book.setup, touched))

    async def _settle(self) -> None:
        """What is on the disk holds."""
        done = [late for late in self._late if late.future.done()]
        self._late = [late for late in self._late if not late.future.done()]
        for late in done:
            if (error := late.future.exception()) is not None:
                self._log.error(ENTRY_NOT_KEPT, entries=[entry.key for entry in late.entries], error=str(error))
            else:
                await self._take(late.entries, late.held)

    async def _take(self, entries: Sequence[Entry], held: Sequence[HeldProduct] = ()) -> None:
        await self._hold(held, entries)
        for tank in dict.fromkeys(tank for entry in entries for tank in self._book.tanks_of(entry)):
            try:
                self._rebind(self._book.merged(tank).binding)
            except KeyError:
                continue  # a reload has taken it away meanwhile
            # An instrument may feed every tank there is: let others have their turn.
            await asyncio.sleep(0)

    async def _expire(self) -> None:
        monotonic_s = self._clock.monotonic_ns() / 1e9
        if is_impossible(self._ends.utc_ns()) or self._late or monotonic_s < self._expiries_after_s:
            return
        ended = self._book.ended(self._now_of_ends())
        if not ended:
            return
        future = self._papers.keep(ended, self._now())
        self._late.append(_Late(future, ended))
        if await done_within(future, _WRITE_S) and future.exception() is None:
            for entry in ended:
                self._log.warning(ENTRY_EXPIRED, entry=entry.key, by=entry.by, value=entry.block.get("value"))
        else:
            self._expiries_after_s = monotonic_s + _AGAIN_S
        await self._settle()

    # What tanks hold

    async def _hold(self, held: Sequence[HeldProduct] = (), entries: Sequence[Entry] = ()) -> None:
        """What is kept, and what has come with time, holds from now on: a product with its density."""
        tanks, troubles = self._book.turn(self._now(), held, entries, self._papers.doubt())
        self._tell_troubles(troubles)
        for tank in tanks:
            self._refit(self._book.setup(tank))
            await asyncio.sleep(0)

    async def _hold_products(self) -> None:
        """A change whose time has come is told once; of a tank that the ledger knows nothing of, what the site file
        says is kept."""
        now, monotonic_s = self._now(), self._clock.monotonic_ns() / 1e9
        if is_impossible(self._clock.utc_ns()):
            return
        await self._hold()
        if not self._papers.times_read or self._late or monotonic_s < self._products_after_s:
            return
        products = self._book.products
        begun, steps = products.begun(now), products.due(now)
        if not begun and not steps:
            return
        entries = tuple(entry for step in steps for entry in step.entries)
        future = self._papers.keep(entries, now, steps=steps, begun=begun)
        self._late.append(_Late(future, (), (*begun, *(step.after for step in steps))))
        if await done_within(future, _WRITE_S) and future.exception() is None:
            for step in steps:
                self._log.warning(PRODUCT_CHANGED, tank=step.after.tank, product=step.after.product, by=step.after.by)
        else:
            self._products_after_s = monotonic_s + _AGAIN_S
        await self._settle()

    # What the ledger has

    async def _reread(self) -> None:
        """A ledger that could not be opened at the start may be open now."""
        if self._papers.are_new and not self._late:
            await self._take(*self._papers.read())

    # Alarms

    async def _act_on_alarm(self, request: Mapping[str, Any], tank: str, command: AlarmCommand) -> dict[str, Any]:
        before = self._standing(tank, command.alarm)
        answer = self._answer_on_alarm(tank, command, self.alarms.apply(tank, command))
        if answer["code"] or not self._keeping.keeps_papers:
            return answer
        now = self._now()
        after = self._standing(tank, command.alarm)
        body = audit_body(request, command.by, command.why, (), before, after)
        future = self._keeping.keep_papers((), (), (round(now.timestamp() * 1e9), body))
        if not await done_within(future, _WRITE_S) or future.exception() is not None:
            return well(answer["lines"], [_NOT_IN_TRAIL])
        return answer

    def _answer_on_alarm(self, tank: str, command: AlarmCommand, refusal: Refusal | None) -> dict[str, Any]:
        if refusal is not None:
            return refused(1, (refusal.text,), refusal.hint)
        lines = [f"{tank} {command.alarm}: {command.deed.replace('_', '-')} by {command.by}".strip()]
        kept = self._keeping.keeps_papers
        return well(lines, [] if kept else ["it stands in no audit trail, as there is no ledger"])

    def _standing(self, tank: str, alarm: str) -> dict[str, Any] | None:
        standing = next((each for each in self.alarms.standings().get(tank, ()) if each.name == alarm), None)
        return None if standing is None else standing_document(standing)

    def _tell_troubles(self, troubles: Sequence[str]) -> None:
        for trouble in troubles:
            self._log.warning(ENTRY_NOT_TAKEN, trouble=trouble, hint="enter it anew, or withdraw it")

    def _now_of_ends(self) -> datetime:
        return datetime.fromtimestamp(self._ends.utc_ns() / 1e9, UTC)

    def _now(self) -> datetime:
        return datetime.fromtimestamp(self._clock.utc_ns() / 1e9, UTC)
