"""What a destination is, whatever it speaks: the contract that the daemon knows, and nothing more of it.

`destinations.py` has the table of kinds. One protocol, one file; a destination's absence, slowness or fault is its own
affair and delays no other.
"""

import random as random_module
from collections.abc import Callable, Collection, Hashable, Mapping, Sequence
from concurrent.futures import Future
from typing import NamedTuple, Protocol

from gateway.history import Entry
from gateway.process.progress import CameRound
from gateway.status import Backlog, DestinationStatus, GatewaySnapshot
from gateway.tank_record import TankRecord

__all__ = ["GOODBYE_S", "DeliveryPlan", "Destination", "Outbox", "Surroundings", "TankScale", "Wants"]


GOODBYE_S = 6.0
"""Longest a destination that is told to end may still take. One that takes longer is left to itself."""


class Wants(NamedTuple):
    """Which of the gateway's streams a destination takes."""

    live: bool = True
    """Every sheet, offered at once; of two of a tank the newer is enough."""
    history: bool = False
    """Records that were kept first, each at least once and in order."""
    events: bool = False
    """What happened, likewise."""


class DeliveryPlan(Protocol):
    """What is fixed for a destination until the site file changes. Two that are equal make destinations alike."""

    @property
    def name(self) -> str:
        """In status, metrics and log; no other destination of the site has it."""
        ...

    @property
    def place(self) -> Hashable:
        """Where it leads. One that takes the place of another with the same goes on where that one wrote."""
        ...

    @property
    def descriptors(self) -> int:
        """How many descriptors it may hold at once."""
        ...

    @property
    def longest_turn_s(self) -> float:
        """Longest it may wait for its peer within one turn, all deadlines together."""
        ...


class Outbox(Protocol):
    """History for one destination, from where it left off: what is committed, in order, each entry at least once.

    One reader; what is delivered is known over restarts. Entries that the destination does not want are left out.
    """

    async def take(self, at_most: int) -> Sequence[Entry]:
        """The next entries behind those taken before, at least one and at most so many; waits until there is one.

        May be cancelled at any time: nothing is skipped by that.
        """
        ...

    def ready(self) -> bool:
        """Whether `take` would give something without waiting for something new to happen."""
        ...

    def delivered(self, position: int, refused: Collection[int] = ()) -> None:
        """All entries up to this position have arrived there, but for those at `refused`, which never will: they count
        as lost, once, whatever else becomes of them. Never waits."""
        ...

    def rewind(self) -> None:
        """Take again what was taken and is not delivered: where a connection has ended."""
        ...

    def backlog(self) -> Backlog:
        """How much waits, at any time."""
        ...

    def next_number(self, modulo: int) -> "Future[int]":
        """Count one further, from 0 up to `modulo` - 1 and round, over restarts: done once that is committed."""
        ...


class TankScale(NamedTuple):
    """What somebody who draws a tank has to know of it beforehand."""

    tank: str
    description: str
    ranges: Mapping[str, tuple[float, float]]
    """By the name of a figure: what it ranges over in this tank, SI. Not of every figure."""


def _no_scales() -> Sequence[TankScale]:
    return ()


class Surroundings(NamedTuple):
    """What the daemon gives to a destination."""

    site: str
    boot: str
    snapshot: Callable[[], GatewaySnapshot]
    """The state of the whole gateway, at any time."""
    random: random_module.Random
    came_round: CameRound
    """To be told at each turn, and the wait before the next."""
    outbox: Outbox | None = None
    """None: nothing is kept, so that there is no history to deliver."""
    scales: Callable[[], Sequence[TankScale]] = _no_scales
    """Of the tanks of the site, as it is now."""


class Destination(Protocol):
    """One place where results go."""

    @property
    def wants(self) -> Wants: ...

    def offer(self, record: TankRecord) -> None:
        """Take a live record in. Never waits, never raises; what it keeps is bounded by the number of tanks."""
        ...

    async def run(self) -> None:
        """Deliver until cancelled; connect for ever, by `gateway.backoff`. Faults of the peer never leave it.

        Told to end, it delivers what `finish` gave it, as far as it still can, within `GOODBYE_S`. A mistake in the
        program leaves it; then it is run again, and begins anew.
        """
        ...

    def finish(self, records: Sequence[TankRecord]) -> None:
        """What each tank is to say there for good. Comes before `run` is told to end; none where another goes on."""
        ...

    def status(self) -> DestinationStatus:
        """How it does, at any time. What was offered is delivered, lost or waiting, never uncounted."""
        ...
