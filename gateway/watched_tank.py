"""One tank as the pipeline watches it: what is fixed, what its last sheet handed on and what was said of it."""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import fields
from datetime import datetime
from functools import cached_property

from gateway.acquisition.signals.register_map import InstrumentMap
from gateway.binding import TankBinding
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.calculation.plan import TankPlan
from gateway.plan_id import OF_LIMITS, PlanIds, plan_ids, plan_text
from gateway.records import Ending
from gateway.states import LimitState, RoofZone
from gateway.tank_record import Event, TankRecord
from gateway.tank_state import AlarmNow, AlarmStanding
from gateway.validity import valid_for_s
from gateway.watch.alarms.late import Since
from gateway.watch.alarms.memory import AlarmMemory
from gateway.watch.alarms.together import alarms_now, by_kind, given_up, left_over, standings
from gateway.watch.memory import NO_WATCH, WatchMemory, of_another_plan
from gateway.watch.plan import AlarmPlan, WatchPlan

__all__ = ["Tank", "overdue_ns", "tanks_by_instrument"]

_NS_PER_S = 1_000_000_000


class Tank:
    """One tank's plan, its binding and what its last sheet handed on."""

    def __init__(
        self,
        plan: TankPlan,
        binding: TankBinding,
        period_s: float,
        maps: Mapping[str, InstrumentMap],
        started_ns: int,
        watch: WatchPlan | None = None,
    ) -> None:
        self.plan = plan
        self.binding = binding
        self._period_s = period_s
        self._maps = maps
        self.period_ns = round(period_s * _NS_PER_S)
        self.valid_for_s = valid_for_s(period_s)
        self.memory: Memory = EMPTY_MEMORY
        self.watch = watch
        """None: nobody judges how it moves."""
        self.watch_memory: WatchMemory = NO_WATCH
        self.told: tuple[Event, ...] = ()
        """What has happened since its last sheet, by what people did."""
        self._alarms: tuple[Mapping[str, AlarmMemory], tuple[AlarmNow, ...]] | None = None
        self.since: Since | None = None
        """What its alarms were judged to be since the start; None: nobody asks, as what was before is known."""
        self.sequence = 0
        self.calculated_ns = started_ns
        """Monotonic. At the start the instruments have one period to answer before the tank speaks."""
        self.latest: TankRecord | None = None
        self.limit_told = LimitState.NORMAL
        self.roof_told = RoofZone.FLOATING
        """Where the level and the roof were when they were last logged; not touched while there is no level."""
        self.endings_told: set[tuple[Ending, bool]] = set()
        """What was logged of values entered by people, and whether they had ended by then."""
        self.awaited = {source.key for source in binding.sources}
        """Signals not heard of since the start; a sheet that does not wait for them forgets them."""
        self.watched = True
        self.is_new = True
        """Since the start or a change, without a sheet."""
        level = binding.level or binding.bottom_pressure
        self.level_instrument = None if level is None else level.instrument
        self.level_stale_s = math.inf if level is None else level.stale_after_s

    @property
    def alarm_plans(self) -> Mapping[str, AlarmPlan]:
        """By name, of the alarms that it is watched for."""
        return {} if self.watch is None else by_kind(self.watch.alarms)

    def alarms(self) -> tuple[AlarmNow, ...]:
        """Every alarm of it, normal or not; the same ones as long as none has changed."""
        if self.watch is None:
            return ()
        if self._alarms is None or self._alarms[0] is not self.watch_memory.alarms:
            alarms = self.watch_memory.alarms
            self._alarms = alarms, alarms_now(self.plan.tank, self.alarm_plans, alarms)
        return self._alarms[1]

    def standings(self) -> tuple[AlarmStanding, ...]:
        """Of its alarms those that are not normal, first things first."""
        return standings(self.alarm_plans, self.watch_memory.alarms)

    def given_up(self, kept: Collection[str], instant: datetime) -> tuple[Event, ...]:
        """What is to be told of alarms that nobody watches for any more: all but `kept`."""
        return given_up(self.alarm_plans, self.watch_memory.alarms, kept, instant)

    def follow(self, before: "Tank", forgotten: Collection[str], instant: datetime) -> None:
        """Take the place of one of the same tag."""
        before.watched = False
        self.since = before.since
        # What it said last lies at the destinations until its next sheet, and in the log nothing is to be said twice.
        self.sequence, self.latest = before.sequence, before.latest
        self.limit_told, self.roof_told, self.endings_told = before.limit_told, before.roof_told, before.endings_told
        self.told = before.told + before.given_up(self.alarm_plans, instant)
        self.watch_memory = of_another_plan(before.watch_memory)
        if before.goes_on(self, forgotten):
            self.memory, self.watch_memory = before.memory, before.watch_memory
            self.calculated_ns, self.awaited, self.is_new = before.calculated_ns, before.awaited, before.is_new
        elif before.moves_on(self, forgotten):
            self.watch_memory = before.watch_memory
        # Told to be over: should it be put back before the next sheet, that is another alarm.
        self._forget_what_is_left()

    def give_up_what_is_left(self, instant: datetime) -> None:
        """Tell the end of alarms that a process before watched for, and this one does not."""
        self.told += left_over(self.watch_memory.alarms, self.alarm_plans, instant)
        self._forget_what_is_left()

    def _forget_what_is_left(self) -> None:
        kept = self.alarm_plans
        alarms = {name: memory for name, memory in self.watch_memory.alarms.items() if name in kept}
        if len(alarms) < len(self.watch_memory.alarms):
            self.watch_memory = self.watch_memory._replace(alarms=alarms)

    @cached_property
    def ids(self) -> PlanIds:
        """Which plan it is. Made when it is asked for: of a thousand tanks at once it would hold up a reload."""
        return plan_ids(self.plan, self.binding, self._period_s, self._maps)

    def plan_text(self) -> bytes:
        """What the plan id is made from. From any thread: it takes a while where the table is long."""
        return plan_text(self.plan, self.binding, self._period_s, self._maps)[1]

    def refitted(self, plan: TankPlan, binding: TankBinding, watch: WatchPlan, now_ns: int) -> "Tank":
        """One that takes its place: of the same instruments, with another product."""
        assert binding.sources == self.binding.sources, "other sources are another tank"
        return Tank(plan, binding, self._period_s, self._maps, now_ns, watch)

    def rebind(self, binding: TankBinding) -> None:
        """Take its inputs as that one says: of the same sources, with other values by hand or other maintenance."""
        assert binding.sources == self.binding.sources, "other sources are another tank"
        self.binding = binding
        self.__dict__.pop("ids", None)

    def goes_on(self, other: "Tank", forgotten: Collection[str]) -> bool:
        """Whether what it remembers holds for that one too: one plan, and the same readings of the same instruments."""
        return other.plan == self.plan and self._reads_the_same(other, forgotten)

    def moves_on(self, other: "Tank", forgotten: Collection[str]) -> bool:
        """Whether at least how it moved holds for that one too: nothing is another but its limits."""
        mine, others = (
            [getattr(tank.plan, each.name) for each in fields(TankPlan) if each.name not in OF_LIMITS]
            for tank in (self, other)
        )
        return mine == others and self._reads_the_same(other, forgotten)

    def _reads_the_same(self, other: "Tank", forgotten: Collection[str]) -> bool:
        mine, others = ([(each.key, each.nominal_ohm) for each in tank.binding.sources] for tank in (self, other))
        return mine == others and not any(each.instrument in forgotten for each in other.binding.sources)


def overdue_ns(bindings: Sequence[TankBinding]) -> Mapping[str, int]:
    """From which age on a value of each instrument is doubted."""
    sources = [source for binding in bindings for source in binding.sources]
    return {
        source.instrument: round(source.overdue_after_s * _NS_PER_S)
        for source in sources
        if math.isfinite(source.overdue_after_s)
    }


def tanks_by_instrument(tanks: Sequence[Tank]) -> Mapping[str | None, list[Tank]]:
    found: dict[str | None, list[Tank]] = {}
    for tank in tanks:
        for instrument in {source.instrument: None for source in tank.binding.sources}:
            found.setdefault(instrument, []).append(tank)
    return found
