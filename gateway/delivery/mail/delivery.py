"""Notification by e-mail: what was raised, what is over, what nobody has acknowledged, and each day a sign of life.

What comes within a few seconds is one mail. An event leaves the outbox when the server has taken its mail for everybody
it is for; until then it is written anew at each attempt, so that it says how things stand by then.
"""

import asyncio
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import partial
from importlib.util import find_spec
from math import inf
from zoneinfo import ZoneInfo

import structlog

from gateway.backoff import Backoff
from gateway.delivery.contract import Outbox, Surroundings, Wants
from gateway.delivery.faults import DeliveryFault, FaultKind
from gateway.delivery.from_outbox import nothing_to_do, status_from_outbox
from gateway.delivery.mail.alarms import LATE_S, Wish, items_of, notes_of, wanted
from gateway.delivery.mail.allowance import Allowance
from gateway.delivery.mail.letter import About, Letter, alarm_letter
from gateway.delivery.mail.message import message_of
from gateway.delivery.mail.people import People
from gateway.delivery.mail.plan import MailPlan
from gateway.delivery.mail.still_alive import Days, lost_before, still_alive_letter
from gateway.delivery.secrets import secret, tls_context
from gateway.delivery.server_name import ServerName
from gateway.errors import DeliveryError
from gateway.history import KeptEvent
from gateway.process.tasks import apart
from gateway.status import DestinationStatus, GatewaySnapshot, Trouble
from gateway.tank_record import EventKind, TankRecord
from gateway.tank_state import Priority

if find_spec("aiosmtplib") is not None:
    from gateway.delivery.mail.server import MailServer, Refusal

__all__ = ["MailDelivery", "missing_part"]

_LOOK_S = 1.0
_DAY_LOOK_S = 10.0
"""How often it is looked whether the mail of the day is due."""
_ASK_S = 600.0
"""How often the server is greeted while there is nothing to send: an alarm is too late to find that it is not there."""
_AT_ONCE = 500
_MOST_WAITING = 2000
"""Events of one mail; those behind them wait in the ledger."""
_MOST_TOLD = 100
_HOUR_S = 3600.0
_NO_LEDGER = "nothing is kept here, so that there are no events to tell"
_LOGGER = structlog.get_logger("gateway.delivery.mail")


def missing_part() -> str | None:
    """What is not installed that this kind of destination needs, in a sentence; None: nothing."""
    if find_spec("aiosmtplib") is not None:
        return None
    return "aiosmtplib is not installed, so that no mail is sent; pip install 'tank-gateway[mail]'"


class MailDelivery:
    """A `Destination` of events."""

    wants = Wants(live=False, history=False, events=True)

    def __init__(
        self, plan: MailPlan, around: Surroundings, *, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._plan = plan
        self._around = around
        self._monotonic = monotonic
        self._backoff = Backoff(plan.backoff_first_s, plan.backoff_longest_s, around.random)
        self._name = ServerName(plan.host, plan.port)
        self._wish = Wish(plan.priorities, plan.tanks, plan.when_over)
        self._people = People(plan.to, plan.escalate_to)
        self._days = Days(plan.still_alive)
        now_s = self._made_s = monotonic()
        self._allowances = {each: Allowance(plan.most_per_hour, now_s) for each in (False, True)}
        """Of mails, and of those of escalation."""
        self._waiting: list[KeptEvent] = []
        """Taken, wanted by somebody, and not told to all."""
        self._taken_to = 0
        self._first_s = now_s
        """When the first of what waits was taken."""
        self._is_held = {False: False, True: False}
        self._asked_s = self._day_s = -inf
        self._begun_s = self._well_s = now_s
        self._connected = False
        self._trouble: Trouble | None = None
        self._refusals: dict[str, str] = {}
        """By address: why the server takes nothing for it, ever."""
        self._complaints: set[str] = set()
        self._log = _LOGGER.bind(server=f"{plan.host}:{plan.port}", destination=plan.name)

    def offer(self, record: TankRecord) -> None:
        """Live records are not for people."""

    def finish(self, records: Sequence[TankRecord]) -> None:
        """What is not told is kept, and told after the next start."""

    def status(self) -> DestinationStatus:
        troubles = [] if self._trouble is None else [self._trouble]
        if self._refusals and self._trouble is None:
            text = "; ".join(f"{address} gets no mail: {why}" for address, why in self._refusals.items())
            troubles.append(Trouble("destination_refuses", text))
        return status_from_outbox(self._plan.name, self._connected, troubles, self._around.outbox)

    async def run(self) -> None:
        """Tell, and try again; ends only by cancellation."""
        lacking = missing_part()
        outbox = self._around.outbox
        if lacking is not None or outbox is None:
            await self._be_of_no_use(lacking or _NO_LEDGER)
            return
        try:
            while True:
                self._around.came_round(0.0)
                self._waiting.clear()
                outbox.rewind()
                self._begun_s = self._well_s = self._monotonic()
                try:
                    await self._serve(outbox)
                except DeliveryError as exc:
                    self._complain(exc)
                wait_s = self._backoff.after(self._well_s - self._begun_s)
                self._around.came_round(wait_s)
                await asyncio.sleep(wait_s)
        finally:
            self._connected = False

    async def _be_of_no_use(self, why: str) -> None:
        self._trouble = Trouble("destination_unusable", why)
        self._log.error("delivery.mail_unusable", reason=why)
        await nothing_to_do(self._around.came_round)

    async def _serve(self, outbox: Outbox) -> None:
        """Until something is wrong, which raises DeliveryError."""
        while True:
            self._around.came_round(_LOOK_S)
            await self._look(outbox)
            now_s = self._monotonic()
            if self._waiting and now_s - self._first_s >= self._plan.gather_s:
                await self._tell_alarms(outbox)
            knows = self._days.knows or now_s - self._begun_s >= max(_LOOK_S, self._plan.gather_s)
            if knows and now_s - self._day_s >= _DAY_LOOK_S:
                await self._tell_day()
                self._day_s = now_s
            if not self._waiting and self._monotonic() - self._asked_s >= _ASK_S:
                await self._converse(None, ())

    async def _look(self, outbox: Outbox) -> None:
        """Take what there is; waits a moment for it where there is nothing."""
        if len(self._waiting) >= _MOST_WAITING:
            await asyncio.sleep(_LOOK_S)
            return
        wait_s = min(_LOOK_S, self._plan.gather_s) if self._waiting else _LOOK_S
        try:
            async with asyncio.timeout(wait_s):
                entries = await outbox.take(_AT_ONCE)
        except TimeoutError:
            return
        if not self._waiting:
            self._first_s = self._monotonic()
        for entry in entries:
            # An outbox of events has no records; one of more than that does no harm.
            if isinstance(entry, KeptEvent):
                self._days.hear(entry, self._around.boot)
                if any(wanted(entry, self._wish, escalated=each) for each in (False, True)):
                    self._waiting.append(entry)
        self._taken_to = entries[-1].position
        if not self._waiting:
            outbox.delivered(self._taken_to)

    # Mails

    async def _tell_alarms(self, outbox: Outbox) -> None:
        snapshot = self._around.snapshot()
        up_to = self._taken_to
        fault: DeliveryFault | None = None
        for escalated in (False, True):
            for ahead, addresses in self._people.groups(escalated=escalated).items():
                events = [
                    each
                    for each in self._waiting
                    if each.position > ahead and wanted(each, self._wish, escalated=escalated)
                ]
                if not events:
                    self._people.told(addresses, up_to, escalated=escalated)
                elif self._may_go(events, escalated):
                    fault = await self._tell_group(events, snapshot, addresses, escalated) or fault
                else:
                    self._is_held[escalated] = True
        if fault is not None and len(self._waiting) >= _MOST_WAITING:
            given_up = self._people.give_up(up_to)
            if given_up:
                self._log.error("delivery.mail_given_up", addresses=given_up, events=len(self._waiting))
        if self._people.all_told(up_to):
            outbox.delivered(up_to)
            self._waiting.clear()
        if fault is not None:
            raise fault

    async def _tell_group(
        self, events: Sequence[KeptEvent], snapshot: GatewaySnapshot, to: tuple[str, ...], escalated: bool
    ) -> DeliveryFault | None:
        """One mail. The fault that keeps it from some of them; raises one that keeps every mail from everybody."""
        write = partial(self._letter, events, snapshot, escalated)
        refused = await self._send(write, to, snapshot.instant, f"{_key(events[0])} {_key(events[-1])} {escalated}")
        fault = _nobody(refused, to)
        if fault is not None and fault.kind is FaultKind.PERSON:
            return fault
        if fault is None:
            self._allowances[escalated].spend(self._monotonic())
            self._is_held[escalated] = False
        up_to, now_s = self._taken_to, self._monotonic()
        put_off = {address: refusal.text for address, refusal in refused.items() if refusal.is_passing}
        self._people.told((each for each in to if each not in put_off), up_to, escalated=escalated)
        for address, text in put_off.items():
            if self._people.put_off(address, now_s, escalated=escalated):
                fault = _puts_off(text)
            else:
                self._people.told((address,), up_to, escalated=escalated)
                self._log.error("delivery.mail_given_up", addresses=[address], events=len(events), reason=text)
        return fault

    def _may_go(self, events: Sequence[KeptEvent], escalated: bool) -> bool:
        now_s = self._monotonic()
        if (
            not any(each.event.standing for each in events)
            and now_s - self._made_s < _HOUR_S / self._plan.most_per_hour
        ):
            # That a gateway started again: one that ends again and again must not write more than the limit either.
            return False
        urgent = any(
            each.event.kind is not EventKind.ALARM_RETURNED
            and each.event.standing is not None
            and each.event.standing.priority is Priority.NOW
            for each in events
        )
        return self._allowances[escalated].permits(now_s, urgent=urgent)

    def _letter(self, events: Sequence[KeptEvent], snapshot: GatewaySnapshot, escalated: bool) -> Letter:
        about = About(
            self._around.site,
            ZoneInfo(snapshot.time_zone),
            snapshot.instant,
            snapshot.simulated,
            escalated,
            len(events) if self._is_held[escalated] else 0,
            self._plan.most_per_hour,
        )
        # By the site's own time, which passes faster where it is simulated so.
        items = items_of(events, snapshot.alarms, snapshot.instant, LATE_S * snapshot.time_factor)
        return alarm_letter(items, notes_of(events), about)

    async def _tell_day(self) -> None:
        snapshot = self._around.snapshot()
        zone = ZoneInfo(snapshot.time_zone)
        due = self._days.due(zone, snapshot.instant, was_away=lost_before(snapshot, self._plan.name))
        if due is None:
            return
        # The letter is written by a thread, and what is asked for late is asked of parts that live in this one.
        seen = snapshot._replace(instruments=tuple(snapshot.instruments), destinations=tuple(snapshot.destinations))
        write = partial(still_alive_letter, seen, snapshot.alarms, due, zone, len(self._waiting))
        refused = await self._send(write, self._plan.to, snapshot.instant, f"{snapshot.site} {due.isoformat()}")
        fault = _nobody(refused, self._plan.to)
        if fault is not None:
            raise fault
        self._days.settle(due)

    async def _send(
        self, write: Callable[[], Letter], to: tuple[str, ...], when: datetime, key: str
    ) -> "Mapping[str, Refusal]":
        """Who did not get it."""

        def written() -> bytes:
            return message_of(write(), self._plan.sender, to, when, f"{key} {to}").as_bytes()

        # Of a flood it takes a tenth of a second, for which no poll is to wait.
        refused = await self._converse(await asyncio.to_thread(written), to)
        for address in to:
            refusal = refused.get(address)
            if refusal is None:
                self._refusals.pop(address, None)
            elif not refusal.is_passing and self._refusals.get(address) != refusal.text:
                self._refusals[address] = refusal.text
                self._log.error("delivery.mail_refused", address=address, reason=refusal.text)
        return refused

    async def _converse(self, message: bytes | None, to: tuple[str, ...]) -> "Mapping[str, Refusal]":
        """One connection, with a mail or only to see that there could be one."""
        self._around.came_round(0.0)
        await self._name.is_known(self._plan.timeout_s)
        return await apart(self._conversation(message, to), f"mail {self._plan.host}")

    async def _conversation(self, message: bytes | None, to: tuple[str, ...]) -> "Mapping[str, Refusal]":
        plan = self._plan
        server = MailServer(plan)
        refused: Mapping[str, Refusal] = {}
        try:
            password = await secret(plan.password_file, plan.password_variable, plan.timeout_s)
            await server.open(password, await tls_context(plan))
            if message is not None:
                refused = await server.send(message, to)
            if not to or len(refused) < len(to):
                self._goes_well()
            await server.close()
        finally:
            server.abort()
        return refused

    def _goes_well(self) -> None:
        self._well_s = self._asked_s = self._monotonic()
        self._connected = True
        self._trouble = None
        if self._complaints:
            self._complaints.clear()
            self._log.info("delivery.mail_sent_again")

    def _complain(self, exc: DeliveryError) -> None:
        """In the log once for each reason."""
        text = str(exc)
        self._connected = False
        self._asked_s = -inf
        passing = isinstance(exc, DeliveryFault) and exc.kind is FaultKind.PASSING
        # A password file that cannot be read is for a person too.
        self._trouble = None if passing else Trouble("destination_refuses", text)
        if text not in self._complaints and len(self._complaints) < _MOST_TOLD:
            self._complaints.add(text)
            self._log.warning("delivery.mail_not_sent", reason=text, hint="nothing is lost: it waits in the ledger")


def _nobody(refused: "Mapping[str, Refusal]", to: tuple[str, ...]) -> DeliveryFault | None:
    """What is wrong where the server took a mail for none of them."""
    if len(refused) < len(to):
        return None
    for refusal in refused.values():
        if refusal.is_passing:
            return _puts_off(refusal.text)
    address, refusal = next(iter(refused.items()))
    return DeliveryFault(FaultKind.PERSON, f"server takes no mail for {address}: {refusal.text}")


def _puts_off(text: str) -> DeliveryFault:
    return DeliveryFault(FaultKind.PASSING, f"server puts off: {text}")


def _key(event: KeptEvent) -> str:
    identity = event.identity
    return f"{identity.tank} {identity.boot} {identity.sequence} {event.number}"
