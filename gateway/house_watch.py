"""The watch of the gateway itself, in the daemon's hands: what is wrong with it, and floods of alarms of the site."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime

from gateway.clock import Clock
from gateway.going_on import pause_of
from gateway.history import GATEWAY
from gateway.kept_memory import Kept, KeptWatch, restored_house
from gateway.tank_record import Event
from gateway.tank_state import AlarmNow, AlarmStanding
from gateway.watch.alarms.commands import AlarmCommand
from gateway.watch.alarms.late import Since, joined
from gateway.watch.alarms.together import alarms_now, given_up, left_over
from gateway.watch.house import (
    NO_HOUSE,
    Found,
    House,
    HouseMemory,
    act_on_house,
    house_conditions,
    house_plans,
    watch_house,
)
from gateway.watch.plan import AlarmPlan

__all__ = ["HouseWatch"]


class HouseWatch:
    """`look` gives the gateway as it is; `tell` keeps what has happened, with what is remembered from then on."""

    def __init__(
        self, look: Callable[[], House], clock: Clock, tell: Callable[[Sequence[Event], KeptWatch], None]
    ) -> None:
        self._look = look
        self._clock = clock
        self._tell = tell
        self._heard: list[Event] = []
        self._since: Since | None = None
        """What its alarms were judged to be since the start; None: nobody asks, as what was before is known."""
        self._plans: Mapping[str, AlarmPlan] = {}
        """As of the last look."""
        self.memory: HouseMemory = NO_HOUSE
        self.standings: tuple[AlarmStanding, ...] = ()
        """Of the gateway's own alarms those that are not normal, first things first."""

    def restore(self, kept: Kept) -> None:
        """Go on from what was remembered."""
        self.memory = restored_house(kept, self._clock.monotonic_ns(), pause_of(kept, self._clock))

    def await_memory(self) -> None:
        """What was remembered may come late: until then it is noted what would tell one alarm from another."""
        self._since = Since()

    def join(self, kept: Kept) -> None:
        """Take in what was remembered and comes late, with what has happened since the start."""
        since, self._since = self._since or Since(), None
        instant, steady_s = self._now()
        before = restored_house(kept, self._clock.monotonic_ns(), pause_of(kept, self._clock))
        plans = house_plans(self._look())
        alarms = joined(plans, before.alarms, self.memory.alarms, since, instant, steady_s)
        events = (*left_over(before.alarms, {**self._plans, **plans}, instant), *alarms.events)
        self._plans = plans
        self._take(Found(alarms.standings, events, self.memory._replace(alarms=alarms.memories)))

    def heard(self, events: Iterable[Event]) -> None:
        """What has happened at a tank."""
        self._heard += events

    def look_round(self) -> None:
        """One look at the gateway: to be had now and then."""
        heard, self._heard = self._heard, []
        instant, steady_s = self._now()
        house = self._look()
        plans = house_plans(house)
        gone = given_up(self._plans, self.memory.alarms, plans, instant)
        gone += left_over(self.memory.alarms, {**self._plans, **plans}, instant)
        self._plans = plans
        if self._since is not None:
            self._since.note(house_conditions(house, self.memory.flaps))
        found = watch_house(house, heard, self.memory, instant, steady_s)
        self._take(found._replace(events=(*gone, *found.events)))

    def act(self, command: AlarmCommand, *, only_tried: bool = False) -> None:
        """Do to one of its alarms what somebody asks for, or see whether it could be. Raises AlarmRefusedError."""
        instant, steady_s = self._now()
        found = act_on_house(self._look(), self.memory, command, instant, steady_s)
        if not only_tried:
            self._take(found)

    def alarms(self) -> tuple[AlarmNow, ...]:
        """Every alarm of the gateway itself as of the last look, normal or not."""
        return alarms_now(GATEWAY, self._plans, self.memory.alarms)

    def _take(self, found: Found) -> None:
        self.standings, self.memory = found.standings, found.memory
        if found.events:
            self._tell(found.events, KeptWatch(GATEWAY, self._clock.utc_ns(), self._clock.monotonic_ns(), self.memory))

    def _now(self) -> tuple[datetime, float]:
        return datetime.fromtimestamp(self._clock.utc_ns() / 1e9, UTC), self._clock.monotonic_ns() / 1e9
