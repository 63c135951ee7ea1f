"""OPC UA: the destination that owns the process of the server and tells it what there is, newest sheet and events.

What waits for it is bounded by the number of tanks and by so many events; a process that ends is begun anew, one that
takes nothing is ended. Nothing that its clients do comes back here but who they are.
"""

import asyncio
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from importlib.util import find_spec
from typing import Any

import structlog

from gateway import __version__
from gateway.backoff import Backoff
from gateway.delivery.contract import Surroundings, TankScale, Wants
from gateway.delivery.from_outbox import nothing_to_do
from gateway.delivery.holding import Holding, steady_s
from gateway.delivery.opcua.child import Child, ChildEndedError
from gateway.delivery.opcua.feed import (
    clients_from,
    event_of,
    hello,
    limit_event,
    sheet_of,
    standing_event,
    transfers_of,
)
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.process.tasks import end
from gateway.status import ConnectedClient, DestinationStatus, GatewaySnapshot, Trouble
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmPhase

__all__ = ["OpcuaDelivery", "missing_part"]

MISSING_PART = "asyncua is not installed, so that nothing is served by OPC UA; pip install 'tank-gateway[opcua]'"
_MOST_EVENTS = 2000
"""That wait; the oldest are given up beyond that."""
_GATHER_S = 0.1
"""What comes within so long travels together."""
_BEAT_S = 1.0
_TOGETHER = 8
"""Sheets in one line: what is done at a time between the turns of all others, polls above all."""
_EVENTS_TOGETHER = 100
_MOST_UNDER_WAY = 40
"""Lines that the process has not taken yet: while it does not, newer sheets take the places of older ones here."""
_MOST_UNHEARD = 20
"""Beats in which it takes nothing, before it is ended. Counted, since a machine that slept is no process that hangs."""
_READY_S = 60.0
_MOST_CLIENTS = 200
_LEVELS = ("debug", "info", "warning", "error")
_LOGGER = structlog.get_logger("gateway.delivery.opcua")


def missing_part() -> str | None:
    """What is not installed that this kind of destination needs, in a sentence; None: nothing."""
    return MISSING_PART if find_spec("asyncua") is None else None


class OpcuaDelivery:
    """A `Destination` of live records, and of the events that come with them."""

    def __init__(self, plan: OpcuaPlan, around: Surroundings, *, monotonic: Callable[[], float] = steady_s) -> None:
        self._plan = plan
        self._around = around
        self._monotonic = monotonic
        self._backoff = Backoff(plan.backoff_first_s, plan.backoff_longest_s, around.random)
        self._holding = Holding(around.snapshot)
        self._newest: dict[str, tuple[TankRecord, float | None]] = {}
        """Of each tank, and until when it holds; None: not at all."""
        self._waiting: dict[str, None] = {}
        """Tanks whose newest sheet is to be told, in order."""
        self._open: dict[str, float] = {}
        """Tanks whose newest sheet no process has taken yet, by when it came: what is counted as waiting."""
        self._under_way: dict[int, tuple[dict[str, TankRecord], list[dict[str, Any]]]] = {}
        """By the number of a line that the process has not taken yet: its sheets and events."""
        self._line = 0
        self._unheard = 0
        """Beats since the process took something, while something was under way."""
        self._limits: dict[str, str] = {}
        self._alarms: dict[str, AlarmPhase] | None = None
        """Of the gateway itself, as told."""
        self._events: deque[dict[str, Any]] = deque(maxlen=_MOST_EVENTS)
        self._something = asyncio.Event()
        self._delivered = self._superseded = self._lost_events = 0
        self._is_kept = False
        """Whether there is a ledger, in which the process looks up what it was not told of."""
        self._ready = False
        self._clients: tuple[ConnectedClient, ...] = ()
        self._trouble: Trouble | None = None
        self._warnings: tuple[str, ...] = ()
        self._complaints: set[str] = set()
        self._log = _LOGGER.bind(address=f"{plan.host}:{plan.port}")

    @property
    def wants(self) -> Wants:
        return Wants(live=True)

    def offer(self, record: TankRecord) -> None:
        tank = record.identity.tank
        now_s = self._monotonic()
        if tank in self._open:
            self._superseded += 1
        self._newest[tank] = (record, self._holding.until_s(record, now_s))
        self._open.setdefault(tank, now_s)
        self._waiting[tank] = None
        limit = record.inventory.level_state.limit.value
        before = self._limits.get(tank)
        if before is not None and before != limit:
            self._add_event(limit_event(record, before))
        self._limits[tank] = limit
        for event in record.events:
            self._add_event(event_of(event, tank, record.inventory.simulated))
        self._something.set()

    def _add_event(self, told: dict[str, Any]) -> None:
        if len(self._events) == _MOST_EVENTS:
            self._lost_events += 1
        self._events.append(told)

    def finish(self, records: Sequence[TankRecord]) -> None:
        """The server says by itself at its end that nobody says anything any more: all of it becomes Bad."""

    def status(self) -> DestinationStatus:
        oldest = min(self._open.values(), default=None)
        troubles = [] if self._trouble is None else [self._trouble]
        troubles += [Trouble("destination_refuses", each) for each in self._warnings]
        return DestinationStatus(
            self._plan.name,
            self._ready,
            self._delivered,
            0 if self._is_kept else self._superseded,
            len(self._open),
            None if oldest is None else max(0.0, self._monotonic() - oldest),
            tuple(troubles),
            dropped=self._superseded if self._is_kept else 0,
            clients=self._clients,
        )

    async def run(self) -> None:
        """Begin the server, tell it, begin it anew; ends only by cancellation."""
        lacking = missing_part()
        if lacking is not None:
            self._trouble = Trouble("destination_unusable", lacking)
            self._log.error("delivery.opcua_unusable", reason=lacking)
            await nothing_to_do(self._around.came_round)
            return
        while True:
            self._around.came_round(0.0)
            begun_s = self._monotonic()
            try:
                await self._one_life()
            except ChildEndedError as error:
                self._complain(str(error))
            await asyncio.sleep(self._backoff.after(self._monotonic() - begun_s))

    async def _one_life(self) -> None:
        """Of the process. Raises ChildEndedError when it ends."""
        child = await Child.begin()
        hearing: asyncio.Task[None] | None = None
        told_end = None
        try:
            state = self._around.snapshot()
            ledger = None if state.ledger is None else state.ledger.file
            self._is_kept = ledger is not None
            await child.tell(hello(self._plan, self._around.site, __version__, state.simulated, ledger))
            await self._until_ready(child)
            hearing = asyncio.create_task(self._hear(child), name=f"{self._plan.name} hearing")
            await self._feed(child, hearing)
        except asyncio.CancelledError:
            told_end = {"end": "stopped"}
            raise
        finally:
            self._ready = False
            self._clients = ()
            self._put_back()
            if hearing is not None:
                await end([hearing], times=1)
            await child.end(told_end)

    async def _until_ready(self, child: Child) -> None:
        try:
            async with asyncio.timeout(_READY_S):
                while "ready" not in (heard := await child.heard()):
                    self._take(heard)
        except TimeoutError as error:
            raise ChildEndedError(f"its process was not ready within {_READY_S:.0f} s") from error
        self._ready = True
        self._trouble = None
        self._complaints.clear()
        self._waiting = dict.fromkeys(self._newest)
        self._log.info("delivery.opcua_serves", process=child.pid, port=heard["ready"])

    async def _hear(self, child: Child) -> None:
        while True:
            self._take(await child.heard())

    async def _feed(self, child: Child, hearing: "asyncio.Task[None]") -> None:
        tanks: Any = None
        seen: Any = None
        alarms: Mapping[str, list[str]] = {}
        known: Any = None
        looked_s = -_BEAT_S
        self._unheard = 0
        while True:
            self._around.came_round(_BEAT_S)
            if hearing.done():
                hearing.result()
            if self._monotonic() - looked_s >= _BEAT_S:
                looked_s = self._monotonic()
                self._tell_of_lost_events()
                state = self._around.snapshot()
                await asyncio.sleep(0)  # at a large site it has taken a while: then others have their turn
                if state.alarms != seen:  # thousands, of which few ever change
                    seen, alarms = state.alarms, _alarms_of(state)
                    self._look_at_house(state)
                told: dict[str, Any] = {"beat": True, "transfers": _transfers(state)} | self._asked_for_life()
                if alarms != known:
                    known = told["alarms"] = alarms
                    self._waiting = dict.fromkeys(self._newest)
                present = state.tanks or tuple(self._newest), self._around.scales()
                if present != tanks:
                    tanks = present
                    told["tanks"] = _places(*present)
                    # Its nodes are new, and know nothing yet.
                    told["alarms"] = alarms
                    self._forget_others(set(present[0]))
                await child.tell(told)
            await self._tell_what_waits(child)
            await self._wait(hearing)

    def _asked_for_life(self) -> dict[str, Any]:
        """What it has to take soon, also where no sheet comes. Raises ChildEndedError if it took nothing for long."""
        if self._under_way:
            self._unheard += 1
            if self._unheard > _MOST_UNHEARD:
                raise ChildEndedError(f"its process took nothing for {_MOST_UNHEARD * _BEAT_S:.0f} s")
            return {}
        self._line += 1
        self._under_way[self._line] = {}, []
        return {"line": self._line}

    def _tell_of_lost_events(self) -> None:
        if self._lost_events:
            self._log.warning(
                "delivery.opcua_events_lost", events=self._lost_events, reason="they came too fast for it"
            )
            self._lost_events = 0

    async def _tell_what_waits(self, child: Child) -> None:
        while (self._waiting or self._events) and len(self._under_way) < _MOST_UNDER_WAY:
            names = list(self._waiting)[:_TOGETHER]
            for name in names:
                del self._waiting[name]
            events = [self._events.popleft() for _ in range(min(len(self._events), _EVENTS_TOGETHER))]
            self._line += 1
            self._under_way[self._line] = {name: self._newest[name][0] for name in names}, events
            sheets = [self._sheet(name) for name in names]
            told = {"line": self._line, "told_s": self._monotonic(), "sheets": sheets, "events": events}
            await child.tell(told)
            await asyncio.sleep(0)

    def _put_back(self) -> None:
        """What the process that has ended did not take waits on: the next one is told it."""
        for sheets, events in reversed(self._under_way.values()):
            self._waiting |= dict.fromkeys(name for name in sheets if name in self._newest)
            # The newest of them, as far as there is room: older ones are given up first.
            kept = events[max(0, len(events) + len(self._events) - _MOST_EVENTS) :]
            self._lost_events += len(events) - len(kept)
            self._events.extendleft(reversed(kept))
        self._under_way.clear()

    def _sheet(self, tank: str) -> Mapping[str, Any]:
        record, until_s = self._newest[tank]
        return sheet_of(record, None if until_s is None else until_s - self._monotonic())

    async def _wait(self, hearing: "asyncio.Task[None]") -> None:
        """Until there is something to tell, the next beat is due, or the process has ended."""
        if (not self._waiting and not self._events) or len(self._under_way) >= _MOST_UNDER_WAY:
            self._something.clear()
        if not self._something.is_set():
            waiting = asyncio.create_task(self._something.wait(), name="opcua wait")
            try:
                await asyncio.wait([waiting, hearing], timeout=_BEAT_S, return_when=asyncio.FIRST_COMPLETED)
            finally:
                await end([waiting])
        await asyncio.sleep(_GATHER_S)

    def _forget_others(self, tanks: set[str]) -> None:
        for held in (self._newest, self._waiting, self._open, self._limits):
            for name in [name for name in held if name not in tanks]:
                del held[name]
        self._waiting = dict.fromkeys(self._newest)

    def _look_at_house(self, state: GatewaySnapshot) -> None:
        """Alarms of the gateway itself, which come with no record."""
        now = {each.standing.name: each.standing for each in state.alarms if not each.tank}
        before, self._alarms = self._alarms, {name: standing.phase for name, standing in now.items()}
        if before is not None:
            for name, standing in now.items():
                if before.get(name, AlarmPhase.NORMAL) is not standing.phase:
                    self._add_event(standing_event(standing, state.simulated))

    def _take(self, heard: Mapping[str, Any]) -> None:
        if "took" in heard:
            self._took(heard["took"])
        if "clients" in heard:
            self._clients = tuple(
                ConnectedClient(address, datetime.fromtimestamp(since_s, UTC), name, refused)
                for address, since_s, name, refused in clients_from(heard["clients"][:_MOST_CLIENTS])
            )
        if "warnings" in heard:
            self._warnings = tuple(str(each)[:300] for each in heard["warnings"])
        if "log" in heard:
            level, event, more = heard["log"]
            if level in _LEVELS:
                getattr(self._log, level)(str(event), **{str(key): value for key, value in more.items()})
        if "failed" in heard:
            raise ChildEndedError(str(heard["failed"])[:500])

    def _took(self, number: int) -> None:
        sheets, _ = self._under_way.pop(number, ({}, []))
        self._unheard = 0
        for tank, record in sheets.items():
            if tank in self._open and self._newest[tank][0] is record:
                del self._open[tank]
                self._delivered += 1
        self._something.set()

    def _complain(self, text: str) -> None:
        self._trouble = Trouble("destination_refuses", f"the OPC UA server does not run: {text}")
        if text not in self._complaints and len(self._complaints) < 100:
            self._complaints.add(text)
            self._log.warning("delivery.opcua_not_serving", reason=text)


def _places(tanks: Iterable[str], scales: Iterable[TankScale]) -> list[dict[str, Any]]:
    of_tank = {each.tank: each for each in scales}
    found = []
    for tank in tanks:
        scale = of_tank.get(tank)
        found.append(
            {
                "tank": tank,
                "description": "" if scale is None else scale.description,
                "ranges": {} if scale is None else {key: list(pair) for key, pair in scale.ranges.items()},
            }
        )
    return found


def _transfers(state: GatewaySnapshot) -> dict[str, list[Any]]:
    return {} if state.accounts is None else transfers_of(state.accounts.open)


def _alarms_of(state: GatewaySnapshot) -> dict[str, list[str]]:
    """By tank, the names of the alarms that it has, normal or not."""
    found: dict[str, list[str]] = {}
    for each in state.alarms:
        if each.tank:
            found.setdefault(each.tank, []).append(each.standing.name)
    return {tank: sorted(names) for tank, names in found.items()}
