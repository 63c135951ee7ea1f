"""Readings in, inventory records out: binding and calculation of every tank of a site. Synchronous, no I/O."""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from types import MappingProxyType

import structlog

from gateway.acquisition.signals.register_map import InstrumentMap
from gateway.binding import TankBinding, bind, received, was_heard
from gateway.calculation.doubts.recurrence import QUIET, Recurrence
from gateway.calculation.doubts.words import NO_JUDGEMENTS
from gateway.calculation.inventory import failed, sheet, unwatched
from gateway.calculation.memory import remember_good
from gateway.calculation.plan import TankPlan
from gateway.calculation.remembered import remembered_of
from gateway.clock import Clock
from gateway.end_clock import EndClock
from gateway.going_on import go_on, join_late, of_tanks_gone
from gateway.kept_memory import Kept, KeptTank, KeptWatch
from gateway.reasons import Reason
from gateway.records import Inventory, Reading, TankInput
from gateway.tank_log import tell_changes
from gateway.tank_record import Event, Identity, Remembered, TankRecord
from gateway.tank_state import AlarmNow, AlarmStanding, TankState
from gateway.watch.alarms.commands import AlarmCommand, AlarmRefusedError
from gateway.watch.alarms.late import Since
from gateway.watch.memory import lean
from gateway.watch.plan import WatchPlan
from gateway.watch.watch import act, watch, watch_in_parts
from gateway.watched_tank import Tank, overdue_ns, tanks_by_instrument

__all__ = ["Pipeline"]

TANK_CALCULATION_FAILED = "tank.calculation_failed"
TANK_WATCH_FAILED = "tank.watch_failed"

_NS_PER_S = 1_000_000_000
_GRACE_NS = 250_000_000
"""A level that comes this much later than its period says is still waited for: a sheet just before it is for nothing,
and when everything is a little late the sheets of all tanks at once would make it later still."""
_NEVER_NS = 2**63
_NO_MAPS: Mapping[str, InstrumentMap] = MappingProxyType({})
_NO_WATCHES: Mapping[str, WatchPlan] = MappingProxyType({})


class Pipeline:
    """Keeps the newest readings and turns them into records.

    A tank is calculated when its level (or the pressure that gives it) is read, so that its sheet is as fresh as its
    level, and soon after its period has ended without one, so that silence shows: go through `overdue` now and then.
    """

    def __init__(
        self,
        site: str,
        boot: str,
        tanks: Sequence[tuple[TankPlan, TankBinding, float]],
        deliver: Callable[[TankRecord], None],
        clock: Clock,
        maps: Mapping[str, InstrumentMap] = _NO_MAPS,
        watches: Mapping[str, WatchPlan] = _NO_WATCHES,
        ends: EndClock | None = None,
    ) -> None:
        """`tanks`: plan, binding and period in s of each. `deliver` must neither block nor raise.

        `maps`: what the registers of each instrument mean, by its tag; a part of what a tank's plan id tells.
        `watches`: by tank, how it is watched. `ends`: the clock by which what people gave an end to ends.
        """
        self.announced: Callable[[str], Reason | None] = _nobody_has
        """By what somebody has said that the contents of a tank are to move."""
        self._ends = EndClock(clock) if ends is None else ends
        self._site = site
        self._boot = boot
        self._deliver = deliver
        self._clock = clock
        self._latest: dict[tuple[str, str], Reading] = {}
        self._missed: dict[tuple[str, str], Recurrence] = {}
        """Of the signals that came late or not at all of late."""
        self._heard_ns: dict[str, int] = {}
        """When each instrument was last heard, monotonic."""
        self._overdue_ns = overdue_ns([binding for _, binding, _ in tanks])
        started_ns = clock.monotonic_ns()
        self._tanks = [
            Tank(plan, binding, period_s, maps, started_ns, watches.get(plan.tank)) for plan, binding, period_s in tanks
        ]
        self._by_instrument = tanks_by_instrument(self._tanks)
        self._sequences: dict[str, int] = {}
        """Of tanks that are gone: should one come back in this boot, no record has a number twice."""
        self._untold: list[tuple[str, Event]] = []
        self._log: structlog.stdlib.BoundLogger = structlog.get_logger("gateway.pipeline")
        self.calculation_errors = 0

    def take(self, readings: Sequence[Reading]) -> None:
        """The readings of one instrument, from one poll."""
        latest, missed = self._latest, self._missed
        late = self._are_late(readings)
        for reading in readings:
            key = reading.instrument, reading.signal
            if reading.reason is None and not late and key not in missed:
                # `received` would say the same: a short cut for nearly all of them.
                latest[key] = reading
                continue
            latest[key], state = received(latest.get(key), reading, missed.get(key, QUIET), late=late)
            if state == QUIET:
                missed.pop(key, None)
            else:
                missed[key] = state
        instrument = readings[0].instrument if readings else None
        for tank in self._by_instrument.get(instrument, ()):
            if tank.awaited:
                # The first sheet waits until every signal has been heard of, so that a start raises no false alarm.
                tank.awaited.difference_update((reading.instrument, reading.signal) for reading in readings)
                if not tank.awaited:
                    self._calculate(tank)
            elif instrument == tank.level_instrument:
                self._calculate(tank)

    def _are_late(self, readings: Sequence[Reading]) -> bool:
        """Whether an instrument that is heard had been silent for longer than a value of it may be old."""
        heard = next((reading for reading in readings if was_heard(reading)), None)
        if heard is None:
            return False
        instrument, now_ns = heard.instrument, heard.monotonic_ns
        before_ns = self._heard_ns.get(instrument, now_ns)
        self._heard_ns[instrument] = now_ns
        return now_ns - before_ns > self._overdue_ns.get(instrument, _NEVER_NS)

    def overdue(self) -> Iterator[str]:
        """Calculate every tank whose period has passed without a level: one at each step, which gives its name.

        There may be as many as there are tanks, so let others have their turn between two steps.
        """
        for tank in self._tanks:
            if tank.watched and self._clock.monotonic_ns() - tank.calculated_ns >= tank.period_ns + _GRACE_NS:
                self._calculate(tank)
                yield tank.plan.tank

    def finish(self) -> list[TankRecord]:
        """What each tank that has spoken is to say last, when nothing more is read: that nobody watches it."""
        return self._last_of(self._tanks, "the gateway was stopped")

    def farewell(self) -> list[TankRecord]:
        """The same for one of several readers that is told nothing more: here the tanks are watched on."""
        before = [tank.latest for tank in self._tanks]
        last = self._last_of(self._tanks, "the gateway delivers no longer to here")
        for tank, latest in zip(self._tanks, before, strict=True):
            tank.latest = latest
        return last

    def change(
        self,
        tanks: Sequence[tuple[TankPlan, TankBinding, float]],
        forgotten: Collection[str],
        maps: Mapping[str, InstrumentMap] = _NO_MAPS,
        watches: Mapping[str, WatchPlan] = _NO_WATCHES,
    ) -> list[TankRecord]:
        """Watches these tanks from now on. What those that are gone are to say last.

        `forgotten`: instruments of which what was read means nothing any more. A tank goes on with its memory where
        nothing else is calculated from nothing else; its sequence goes on in any case.
        """
        before = {tank.plan.tank: tank for tank in self._tanks}
        now_ns = self._clock.monotonic_ns()
        kept = [
            self._changed(
                before.pop(plan.tank, None),
                Tank(plan, binding, period_s, maps, now_ns, watches.get(plan.tank)),
                forgotten,
            )
            for plan, binding, period_s in tanks
        ]
        for tank in before.values():
            tank.watched = False
            tank.told += tank.given_up((), self._now())
            if tank.latest is None:
                # It has never spoken, and says nothing last.
                self._untold += [(tank.plan.tank, event) for event in tank.told]
        last = self._last_of(before.values(), "the tank is no longer in the site file")
        self._sequences |= {tank.plan.tank: tank.sequence for tank in before.values()}
        for key in [key for key in self._latest if key[0] in forgotten]:
            del self._latest[key]
            self._missed.pop(key, None)
        for instrument in forgotten:
            self._heard_ns.pop(instrument, None)
        self._tanks = kept
        self._by_instrument = tanks_by_instrument(kept)
        self._overdue_ns = overdue_ns([tank.binding for tank in kept])
        for tank in kept:
            if tank.is_new and not tank.awaited:
                self._calculate(tank)
        return last

    def rebind(self, binding: TankBinding) -> None:
        """What people have said of a tank holds from its next sheet on, which is made at once; its memory stays."""
        for tank in self._tanks:
            if tank.plan.tank == binding.tank and tank.binding != binding:
                tank.rebind(binding)
                if not tank.awaited:
                    self._calculate(tank)

    def refit(self, plan: TankPlan, binding: TankBinding, watch: WatchPlan) -> None:
        """A tank holds another product from its next sheet on, which is made at once: what was remembered of the one
        before is begun anew, its alarms stay until they are judged anew."""
        for number, before in enumerate(self._tanks):
            if before.plan.tank == plan.tank:
                tank = self._changed(before, before.refitted(plan, binding, watch, self._clock.monotonic_ns()), ())
                self._tanks = [*self._tanks[:number], tank, *self._tanks[number + 1 :]]
                self._by_instrument = tanks_by_instrument(self._tanks)
                if not tank.awaited:
                    self._calculate(tank)

    def _changed(self, before: Tank | None, tank: Tank, forgotten: Collection[str]) -> Tank:
        """The tank, with what is known of it from before."""
        tank.awaited -= {key for key in self._latest if key[0] not in forgotten}
        if before is None:
            tank.sequence = self._sequences.get(tank.plan.tank, 0)
        else:
            tank.follow(before, forgotten, self._now())
        return tank

    def tank(self, tag: str) -> Tank | None:
        """As it is watched now."""
        return next((tank for tank in self._tanks if tank.plan.tank == tag), None)

    def bound(self, binding: TankBinding) -> TankInput:
        """What the newest readings, and what people have entered there, are for the sheet of a tank."""
        return bind(binding, self._latest, self._clock.utc_ns(), self._clock.monotonic_ns(), self._ends.utc_ns())

    def records(self) -> list[TankRecord]:
        """The newest record of each tank that has one."""
        return [tank.latest for tank in self._tanks if tank.latest is not None]

    def watched(self) -> Sequence[Tank]:
        """The tanks as they are watched now: another list whenever one of them is another."""
        return self._tanks

    def readings(self) -> list[Reading]:
        """The newest reading of each signal that has been heard of, as the sheets use it."""
        return list(self._latest.values())

    def watch_memory(self, tag: str) -> KeptWatch | None:
        """What is remembered of how a tank is watched, to be kept with what has happened; None where it is not."""
        memory = next((tank.watch_memory for tank in self._tanks if tank.plan.tank == tag), None)
        return None if memory is None else KeptWatch(tag, self._clock.utc_ns(), self._clock.monotonic_ns(), memory)

    def act(self, tag: str, command: AlarmCommand, *, only_tried: bool = False) -> None:
        """Do to an alarm what somebody asks, and tell of it; or only see if it can be. Raises AlarmRefusedError."""
        tank = next((tank for tank in self._tanks if tank.plan.tank == tag and tank.watch is not None), None)
        if tank is None or tank.watch is None:
            raise AlarmRefusedError(f"there is no tank '{tag}' with alarms here")
        steady_s = self._clock.monotonic_ns() / _NS_PER_S
        memory, events = act(tank.watch, tank.watch_memory, command, self._now(), steady_s)
        if only_tried:
            return
        tank.watch_memory, tank.told = memory, (*tank.told, *events)
        if not tank.awaited:
            # Before all has been heard of a sheet would find everything missing; the first one tells it.
            self._calculate(tank)

    def alarms(self) -> list[AlarmNow]:
        """Of every tank every alarm, normal or not."""
        return [alarm for tank in self._tanks for alarm in tank.alarms()]

    def standings(self) -> dict[str, tuple[AlarmStanding, ...]]:
        """By tank, of its alarms those that are not normal, first things first."""
        return {tank.plan.tank: found for tank in self._tanks if (found := tank.standings())}

    def plan_text(self, tag: str) -> Callable[[], bytes] | None:
        """What makes the text of the plan of a tank's sheets, to be kept; None where it is no longer watched."""
        return next((tank.plan_text for tank in self._tanks if tank.plan.tank == tag), None)

    def memories(self, *, whole: bool = True) -> Kept:
        """What is remembered of every tank, to be kept over a restart; not `whole`: without what the next minutes bring
        anew, for what is written again and again."""
        tanks = {
            tank.plan.tank: KeptTank(
                tank.ids.memory,
                tank.memory,
                tank.watch_memory if whole else lean(tank.watch_memory),
                tank.ids.moves,
            )
            for tank in self._tanks
        }
        return Kept(self._clock.utc_ns(), self._clock.monotonic_ns(), tanks)

    def restore(self, kept: Kept) -> None:
        """Go on from what was remembered, before anything is read."""
        self.calculation_errors += go_on(self._tanks, kept, self._clock)
        self._untold += of_tanks_gone(kept, [tank.plan.tank for tank in self._tanks], self._clock)

    def await_memory(self) -> None:
        """What was remembered may come late: until then it is noted what would tell one alarm from another."""
        for tank in self._tanks:
            tank.since = Since()

    def join(self, kept: Kept) -> None:
        """Take in what was remembered and comes late, with what has happened since the start."""
        for tank in join_late(self._tanks, kept, self._clock):
            self._calculate(tank)
        self._untold += of_tanks_gone(kept, [tank.plan.tank for tank in self._tanks], self._clock)

    def untold(self) -> list[tuple[str, Event]]:
        """What has happened to tanks that no sheet tells of any more, each with its tank; asked for once."""
        untold, self._untold = self._untold, []
        return untold

    def _now(self) -> datetime:
        return datetime.fromtimestamp(self._clock.utc_ns() / _NS_PER_S, UTC)

    def _calculate(self, tank: Tank) -> None:
        tank.calculated_ns = self._clock.monotonic_ns()
        tank_input = self.bound(tank.binding)
        before = tank.memory
        try:
            inventory, tank.memory, judgements = sheet(tank.plan, tank_input, before)
            remembered = remembered_of(before, tank.memory.last_good, judgements)
        except Exception as error:  # noqa: BLE001 - a fault in one sheet must neither stop the others nor pass as old data
            self.calculation_errors += 1
            self._log.exception(TANK_CALCULATION_FAILED, tank=tank.plan.tank)
            inventory = failed(tank.plan, tank_input, before, f"{type(error).__name__}: {error}")
            remembered = remembered_of(before, remember_good(before, inventory.figures), NO_JUDGEMENTS)
        tank.awaited.clear()
        tank.is_new = False
        tell_changes(self._log, tank, inventory)
        state, events = self._watched(tank, tank_input, inventory)
        self._deliver(self._record(tank, tank_input, inventory, remembered, state, events))

    def _last_of(self, tanks: Iterable[Tank], phrase: str) -> list[TankRecord]:
        return [record for tank in tanks if (record := self._last(tank, phrase)) is not None]

    def _last(self, tank: Tank, phrase: str) -> TankRecord | None:
        if tank.latest is None:
            return None
        try:
            tank_input = self.bound(tank.binding)
            inventory = unwatched(tank.plan, tank_input, tank.memory, tank.latest.inventory, phrase)
        except Exception:  # noqa: BLE001 - the others are told; what lies on the broker of this one says until when it holds
            self.calculation_errors += 1
            self._log.exception(TANK_CALCULATION_FAILED, tank=tank.plan.tank)
            return None
        remembered = remembered_of(tank.memory, remember_good(tank.memory, inventory.figures), NO_JUDGEMENTS)
        # What has happened to a tank that goes on is told by its next sheet.
        return self._record(tank, tank_input, inventory, remembered, events=() if tank.watched else tank.told)

    def clock_jump_s(self) -> float:
        """As `EndClock` has it."""
        return self._ends.jump_s

    def _watched(
        self, tank: Tank, tank_input: TankInput, inventory: Inventory
    ) -> tuple[TankState | None, tuple[Event, ...]]:
        """How the tank moves, and what has happened since its last sheet. A mistake in the watch is no reason to have
        no sheet, nor for one part of it to keep the others from being told."""
        told, tank.told = tank.told, ()
        if tank.watch is None:
            return None, told
        given = tank.watch, tank.plan, tank_input, inventory, tank.watch_memory
        is_told, announced = self._ends.jump_s == 0.0, self.announced(tank.plan.tank)
        try:
            watched = watch(*given, is_told=is_told, announced=announced)
        except Exception:  # noqa: BLE001 - a fault in the watch of one tank must not keep its sheet from being told
            self.calculation_errors += 1
            self._log.exception(TANK_WATCH_FAILED, tank=tank.plan.tank)
            try:
                watched = watch_in_parts(*given, is_told=is_told, announced=announced)
            except Exception:  # noqa: BLE001 - likewise
                self._log.exception(TANK_WATCH_FAILED, tank=tank.plan.tank)
                return None, told
        state, events, tank.watch_memory, judged = watched
        if tank.since is not None:
            tank.since.note(judged)
        return state, (*told, *events)

    def _record(
        self,
        tank: Tank,
        tank_input: TankInput,
        inventory: Inventory,
        remembered: Remembered,
        state: TankState | None = None,
        events: tuple[Event, ...] = (),
    ) -> TankRecord:
        tank.sequence += 1
        tank.latest = TankRecord(
            Identity(self._site, tank.plan.tank, self._boot, tank.sequence),
            tank_input,
            inventory,
            state,
            events,
            remembered,
            plan=tank.ids.plan,
            valid_for_s=tank.valid_for_s,
            basis=tank.ids.moves,
        )
        return tank.latest


def _nobody_has(tank: str) -> Reason | None:
    return None
