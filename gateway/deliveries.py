"""All destinations of the gateway, each behind a wall: what is wrong with one is neither seen nor felt by another."""

from collections.abc import Callable, Iterable, Sequence

import structlog

from gateway.delivery.contract import GOODBYE_S, DeliveryPlan, Destination
from gateway.process.supervision import Loops
from gateway.status import DestinationStatus, Trouble
from gateway.tank_record import TankRecord

__all__ = ["Deliveries", "Walled", "loop_name"]

DESTINATION_FAILED = "delivery.destination_failed"
DESTINATION_HANGS = "delivery.destination_hangs"

_LOGGER = structlog.get_logger("gateway.delivery")


def loop_name(plan: DeliveryPlan) -> str:
    return f"delivery {plan.name}"


class Deliveries:
    """What is offered goes to each destination that wants it. Nothing that one of them raises leaves this."""

    def __init__(self, loops: Loops, make: Callable[[DeliveryPlan], Destination]) -> None:
        self._loops = loops
        self._make = make
        self._walled: dict[str, Walled] = {}

    @property
    def plans(self) -> tuple[DeliveryPlan, ...]:
        return tuple(each.plan for each in self._walled.values())

    @property
    def takers_of_history(self) -> tuple[str, ...]:
        """By their names."""
        return tuple(name for name, each in self._walled.items() if each.wants.history or each.wants.events)

    def made(self, plans: Iterable[DeliveryPlan]) -> "list[Walled]":
        """Destinations that are not among them yet."""
        return [Walled(plan, self._make(plan)) for plan in plans]

    def add(self, made: "Iterable[Walled]") -> None:
        """They take records in from now on. They are not yet run."""
        self._walled |= {walled.plan.name: walled for walled in made}

    def arrange(self, plans: Iterable[DeliveryPlan]) -> None:
        """In that order."""
        self._walled = {plan.name: self._walled[plan.name] for plan in plans}

    def begin(self) -> None:
        """Run those that are not yet."""
        for walled in self._walled.values():
            if not walled.begun:
                walled.begun = True
                self._loops.begin(loop_name(walled.plan), walled.destination.run)

    def offer(self, record: TankRecord) -> None:
        """A live record. Neither blocks nor raises."""
        for walled in self._walled.values():
            walled.offer(record)

    def finish(self, last: Sequence[TankRecord]) -> None:
        """What each tank is to say for good, before all of them end."""
        for walled in self._walled.values():
            walled.finish(last)

    def take_out(self, last: Iterable[tuple[DeliveryPlan, Sequence[TankRecord]]]) -> "list[Walled]":
        """Those of these plans, told what the tanks are to say there for good. They are to be ended by `replace`."""
        gone = []
        for plan, records in last:
            gone.append(self._walled.pop(plan.name))
            gone[-1].finish(records)
        return gone

    async def replace(self, gone: "Sequence[Walled]", begun: "Sequence[Walled]") -> None:
        """End some, all at once, then run those that take their places, which are among all others already.

        However long a goodbye takes, what is offered meanwhile is for the next, and goes on being counted.
        """
        before = {walled.plan.name: walled for walled in gone}
        followed = [(each, before[each.plan.name]) for each in begun if each.plan.name in before]
        for walled, other in followed:
            walled.follow(other)
        await self._loops.end(map(loop_name, (each.plan for each in gone)), within_s=GOODBYE_S)
        for walled, other in followed:
            walled.follow(other, has_ended=True)
        self.begin()

    async def make_anew(self, plans: Sequence[DeliveryPlan], newest: Sequence[TankRecord]) -> None:
        """Others in the place of some that hang, while the rest goes on."""
        _LOGGER.error(DESTINATION_HANGS, destinations=[plan.name for plan in plans])
        others = self.made(plans)
        hanging = [self._walled[plan.name] for plan in plans]
        self.add(others)
        for walled in others:
            for record in newest:
                walled.offer(record)
        await self.replace(hanging, others)

    def statuses(self) -> list[DestinationStatus]:
        return [walled.status() for walled in self._walled.values()]


class Walled:
    """One destination, whose faults are counted here."""

    def __init__(self, plan: DeliveryPlan, destination: Destination) -> None:
        self.plan = plan
        self.destination = destination
        self.begun = False
        self.wants = destination.wants
        self._delivered_before = self._lost_before = self._dropped_before = 0
        """By those whose place it took; of live records, for what is kept is counted where it is kept."""
        self._lost = 0
        """Records that it should have taken in and failed at."""
        self._told = ""

    def follow(self, before: "Walled", *, has_ended: bool = False) -> None:
        """Counts on from there. What still waits when the one before has ended is lost, or dropped where history is
        kept."""
        status = before.status()
        left = status.waiting if has_ended else 0
        self._delivered_before = status.delivered
        self._lost_before = status.lost + (left if status.history is None else 0)
        self._dropped_before = status.dropped + (left if status.history is not None else 0)

    def offer(self, record: TankRecord) -> None:
        if not self.wants.live:
            return
        try:
            self.destination.offer(record)
        except Exception as error:  # noqa: BLE001 - whatever it is, it is this destination's alone
            self._lost += 1
            self._tell("offer", error)

    def finish(self, records: Sequence[TankRecord]) -> None:
        try:
            self.destination.finish(records)
        except Exception as error:  # noqa: BLE001 - likewise
            self._tell("finish", error)

    def status(self) -> DestinationStatus:
        status = self._status()
        return status._replace(
            delivered=status.delivered + self._delivered_before,
            lost=status.lost + self._lost + self._lost_before,
            dropped=status.dropped + self._dropped_before,
        )

    def _status(self) -> DestinationStatus:
        """Its own, without what was before it."""
        try:
            return self.destination.status()
        except Exception as error:  # noqa: BLE001 - likewise
            self._tell("status", error)
            text = f"{self.plan.name} cannot say how it does: {type(error).__name__}: {error}"
            trouble = Trouble("destination_failed", text)
            return DestinationStatus(self.plan.name, False, 0, 0, 0, None, (trouble,))

    def _tell(self, where: str, error: Exception) -> None:
        """In the log, once for each kind: a sheet comes every second."""
        kind = f"{where} {type(error).__name__}"
        if kind != self._told:
            self._told = kind
            _LOGGER.error(DESTINATION_FAILED, destination=self.plan.name, call=where, exc_info=error)
