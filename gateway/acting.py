"""People act on the running gateway: what they ask for is checked, kept, and only then holds.

One action after the other, so that what stood before it is what it says. What is entered is in the ledger before it
counts; without a ledger a value or maintenance is refused, as a restart would lose it, while an alarm can be acted on.
"""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from datetime import UTC, datetime
from typing import Any, NamedTuple

import orjson
import structlog

from gateway.actions.alarm_door import AlarmCommand, AlarmDoor, command_of
from gateway.actions.answers import (
    NO_LEDGER,
    audit_body,
    done_lines,
    event_of,
    list_document,
    refused,
    standing_text,
    well,
)
from gateway.actions.book import Book, Change
from gateway.actions.entry import MAINTENANCE, Entry, entry_document, entry_from, utc_text
from gateway.actions.requests import Action, read_action
from gateway.binding import TankBinding
from gateway.calculation.plan import TankPlan
from gateway.clock import Clock
from gateway.clock_watch import is_impossible
from gateway.end_clock import EndClock
from gateway.errors import SettingsError
from gateway.history import GATEWAY
from gateway.keeping import Keeping
from gateway.ledger.papers import Paper
from gateway.payload.alarms import standing_document
from gateway.process.one_thread import done_within
from gateway.settings import SiteSettings
from gateway.status import EnteredStatus

__all__ = ["Acting"]

ACTION_DONE = "action.done"
ACTION_REFUSED = "action.refused"
ACTION_FAILED = "action.failed"
ENTRY_NOT_TAKEN = "entry.not_taken"
ENTRY_UNREADABLE = "entry.unreadable"
ENTRY_EXPIRED = "entry.expired"
ENTRY_NOT_KEPT = "entry.not_kept"

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


class Acting:
    """All from the gateway's loop."""

    alarms: AlarmDoor
    """To be set before anybody acts: what it leads to rests on what is entered, so that it comes after this."""

    def __init__(
        self,
        settings: SiteSettings,
        keeping: Keeping,
        clock: Clock,
        rebind: Callable[[TankBinding], None],
        ends: EndClock | None = None,
    ) -> None:
        """`rebind` makes a tank's sheets go by another binding, at once. `ends`: the clock by which entries end."""
        self._ends = EndClock(clock) if ends is None else ends
        self._keeping = keeping
        self._clock = clock
        self._rebind = rebind
        self._book = Book()
        self._turn = asyncio.Lock()
        self._late: list[_Late] = []
        self._times_read = 0
        self._expiries_after_s = 0.0
        self._told: list[EnteredStatus] = []
        self._told_version = -1
        self._log = structlog.get_logger("gateway.actions")
        self._tell_troubles(self._book.take_over(settings, self._now()))
        self._read()

    def watched(self, settings: SiteSettings) -> list[tuple[TankPlan, TankBinding, float]]:
        """What the pipeline is to watch by these settings, with what people have entered."""
        self._tell_troubles(self._book.take_over(settings, self._now()))
        bindings = self._book.bindings()
        return [(tank.plan, bindings[tank.plan.tank], tank.period_s) for tank in settings.tanks]

    def entered(self) -> list[EnteredStatus]:
        """What people have entered and what is made of it at present."""
        if self._told_version != self._book.version:
            self._told_version = self._book.version
            self._told = [
                EnteredStatus(each.entry.about, each.entry.quantity, each.is_used, standing_text(each))
                for each in self._book.standings(self._now_of_ends())
            ]
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
            now = self._now()
            return list_document(now, self._book.standings(self._now_of_ends()), self.alarms.standings())
        try:
            action = read_action(request)
            command = command_of(action, person)
            async with self._turn:
                if command is not None:
                    answer = await self._act_on_alarm(request, *command)
                else:
                    answer = await self._enter(request, action, person)
        except SettingsError as error:
            answer = refused(2, error.mistakes, "")
        log = self._log.info if answer["code"] == 0 else self._log.warning
        event = ACTION_DONE if answer["code"] == 0 else ACTION_REFUSED
        log(event, by=person, request=f"{request!s:.500}", said=answer["lines"])
        return answer

    async def run(self) -> None:
        """What has expired is told once, and what came to the disk late holds from then on. Until cancelled."""
        while True:
            await asyncio.sleep(_TURN_S)
            await self._settle()
            await self._reread()
            async with self._turn:
                await self._expire()

    # Values and maintenance

    async def _enter(self, request: Mapping[str, Any], action: Action, person: str) -> dict[str, Any]:
        now = self._now()
        changes = self._book.changes(action, person, now)
        if is_impossible(self._clock.utc_ns()):
            text = f"the clock of this machine says {utc_text(now)}, which cannot be: nothing was taken in"
            return refused(1, (text,), "set it, and enter it again")
        if self._ends.jump_s:
            text = f"the clock of this machine went to {utc_text(now)} at once: nothing was taken in"
            return refused(1, (text,), "have it synchronised, or start the gateway anew where it is right")
        if not self._keeping.keeps_papers:
            return refused(
                1, (NO_LEDGER,), "leave out `enabled: no` of `ledger`, and give it a state directory or a file"
            )
        if self._late:
            return refused(1, ("an entry before this one is not on the disk yet",), "look at `enter list`, try again")
        entries = tuple(change.after for change in changes)
        body = audit_body(request, person, action.why, changes)
        future = self._keep(entries, now, (round(now.timestamp() * 1e9), body))
        self._late.append(_Late(future, entries))
        if not await done_within(future, _WRITE_S):
            text = f"the disk has not taken it in within {_WRITE_S:g} s: it holds once it has"
            return refused(1, (text,), "look at `tank-gateway enter list`, and at the log of the gateway")
        await self._settle()
        error = future.exception()
        if error is not None:
            return refused(1, (f"it could not be kept, and does not hold: {error}",), "see to the disk of the ledger")
        return well(done_lines(changes, self._book.standings(now)), self._notes(changes))

    def _notes(self, changes: Sequence[Change]) -> list[str]:
        return [note for change in changes for note in change.notes]

    def _keep(self, entries: Sequence[Entry], now: datetime, audit: tuple[int, str] | None = None) -> "Future[None]":
        papers, events = [], []
        for entry in entries:
            body = orjson.dumps(entry_document(entry)).decode()
            tanks = self._book.tanks_of(entry)
            paper_tank = "" if entry.quantity == MAINTENANCE else entry.about
            papers.append(Paper(entry.key, paper_tank, round(entry.at.timestamp() * 1e9), body))
            events += [(tank, event_of(entry, now)) for tank in tanks or (GATEWAY,)]
        return self._keeping.keep_papers(papers, events, audit)

    async def _settle(self) -> None:
        """What is on the disk holds."""
        done = [late for late in self._late if late.future.done()]
        self._late = [late for late in self._late if not late.future.done()]
        for late in done:
            if (error := late.future.exception()) is not None:
                self._log.error(ENTRY_NOT_KEPT, entries=[entry.key for entry in late.entries], error=str(error))
            else:
                await self._take(late.entries)

    async def _take(self, entries: Sequence[Entry]) -> None:
        self._tell_troubles(self._book.put(entries, self._now()))
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
        future = self._keep(ended, self._now())
        self._late.append(_Late(future, ended))
        if await done_within(future, _WRITE_S) and future.exception() is None:
            for entry in ended:
                self._log.warning(ENTRY_EXPIRED, entry=entry.key, by=entry.by, value=entry.block.get("value"))
        else:
            self._expiries_after_s = monotonic_s + _AGAIN_S
        await self._settle()

    # What the ledger has

    def _read(self) -> tuple[Entry, ...]:
        """What a file of the ledger has that is not known here."""
        papers, self._times_read = self._keeping.papers()
        found = []
        for key, paper in papers.items():
            try:
                entry = entry_from(paper.body)
            except ValueError as error:
                self._log.error(ENTRY_UNREADABLE, entry=key, error=str(error))
                continue
            if self._book.entry(key) != entry:
                found.append(entry)
        self._tell_troubles(self._book.put(found, self._now()))
        return tuple(found)

    async def _reread(self) -> None:
        """A ledger that could not be opened at the start may be open now."""
        if self._keeping.papers()[1] != self._times_read and not self._late:
            await self._take(self._read())

    # Alarms

    async def _act_on_alarm(self, request: Mapping[str, Any], tank: str, command: AlarmCommand) -> dict[str, Any]:
        before = self._standing(tank, command.alarm)
        refusal = self.alarms.apply(tank, command)
        if refusal is not None:
            return refused(1, (refusal.text,), refusal.hint)
        lines = [f"{tank} {command.alarm}: {command.deed.replace('_', '-')} by {command.by}".strip()]
        if not self._keeping.keeps_papers:
            return well(lines, ["it stands in no audit trail, as there is no ledger"])
        now = self._now()
        after = self._standing(tank, command.alarm)
        body = audit_body(request, command.by, command.why, (), before, after)
        future = self._keeping.keep_papers((), (), (round(now.timestamp() * 1e9), body))
        if not await done_within(future, _WRITE_S) or future.exception() is not None:
            return well(lines, [_NOT_IN_TRAIL])
        return well(lines, [])

    def _standing(self, tank: str, alarm: str) -> dict[str, Any] | None:
        found = (each for each in self.alarms.standings().get(tank, ()) if each.name == alarm)
        standing = next(found, None)
        return None if standing is None else standing_document(standing)

    def _tell_troubles(self, troubles: Sequence[str]) -> None:
        for trouble in troubles:
            self._log.warning(ENTRY_NOT_TAKEN, trouble=trouble, hint="enter it anew, or withdraw it")

    def _now_of_ends(self) -> datetime:
        return datetime.fromtimestamp(self._ends.utc_ns() / 1e9, UTC)

    def _now(self) -> datetime:
        return datetime.fromtimestamp(self._clock.utc_ns() / 1e9, UTC)
