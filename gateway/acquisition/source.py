"""What a source of readings is, whatever it speaks: the contract that the daemon knows, and nothing more of it.

Modbus lines are the first kind; `source_kinds.py` has the table. A logger that publishes its values or drops files is
another: it hands readings to the same sink, and what comes after them is the same.
"""

import random as random_module
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple, Protocol

from gateway.clock import Clock
from gateway.process.progress import CameRound
from gateway.records import Reading
from gateway.status import InstrumentStatus, LineStatus

__all__ = ["Sink", "Source", "SourcePlan", "Surroundings"]

Sink = Callable[[Sequence[Reading]], None]
"""Takes all readings of one instrument from one moment, never none. It neither blocks nor raises."""


class SourcePlan(Protocol):
    """What is fixed for a source until the site file changes. Two that are equal make sources that are alike."""

    @property
    def name(self) -> str:
        """No other source of the site has it."""
        ...

    @property
    def instruments(self) -> Sequence[object]:
        """What is read through it. A source without instruments is not run."""
        ...

    @property
    def meanings(self) -> Mapping[str, object]:
        """By instrument, all that decides what its readings mean: while it is the same, what was read before holds."""
        ...

    @property
    def descriptors(self) -> int:
        """How many descriptors it may hold at once."""
        ...

    @property
    def longest_turn_s(self) -> float:
        """Longest it may wait for its peer within one turn, all deadlines together."""
        ...

    def faster(self, factor: float) -> "SourcePlan":
        """The same, read so many times as often, for a simulated site whose time passes faster. Deadlines stay."""
        ...


class Surroundings(NamedTuple):
    """What the daemon gives to a source."""

    sink: Sink
    clock: Clock
    random: random_module.Random
    came_round: CameRound
    """To be told at each turn, and the wait before the next."""


class Source(Protocol):
    """One way to some instruments."""

    async def run(self) -> None:
        """Reads until cancelled, then lets go of its peer at once.

        Nothing is read and no peer is known of before it. Faults of the peer never leave it: they become Bad readings
        and what `status` says. A mistake in the program does; then it is run again, and begins anew.
        """
        ...

    def status(self) -> LineStatus:
        """How it has done since it was made. At any time, also before it runs."""
        ...

    def instrument_statuses(self) -> Sequence[InstrumentStatus]:
        """The same of each instrument, in the order of the plan."""
        ...
