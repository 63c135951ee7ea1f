"""What a gateway remembers over a restart, in the daemon's hands: what it goes on from, and what is kept of it."""

import asyncio
from collections.abc import Sequence

import structlog

from gateway.house_watch import HouseWatch
from gateway.keeping import Keeping
from gateway.kept_memory import Kept, alarms_in
from gateway.pipeline import Pipeline

__all__ = ["Remembering"]

MEMORY_AWAITED = "memory.awaited"

_EVERY_S = 60.0
_LOOK_S = 0.5
_LOGGER = structlog.get_logger("gateway.memory")


class Remembering:
    """All from the gateway's loop; never waits for a disk."""

    def __init__(self, keeping: Keeping, pipeline: Pipeline, house: HouseWatch) -> None:
        self._keeping = keeping
        self._pipeline = pipeline
        self._house = house
        self.alarms_before: Sequence[tuple[str, str]] = ()
        """Tank and name of those that the process before may have told of somewhere."""
        self._waits = False
        """For what the ledger remembered, which could not be read yet."""

    def go_on(self) -> None:
        """Go on from what was remembered, before anything is read."""
        self._waits = self._keeping.awaits_memory
        kept = self._keeping.read_memory()
        if self._waits:
            self._pipeline.await_memory()
            self._house.await_memory()
            hint = "until then whatever holds is raised, also what was acknowledged, shelved or out of service"
            _LOGGER.warning(MEMORY_AWAITED, trouble="the ledger cannot be read yet", hint=hint)
        if kept is None:
            return
        self.alarms_before = alarms_in(kept)
        self._pipeline.restore(kept)
        self._house.restore(kept)
        self._tell()

    def tanks_changed(self) -> None:
        """Others are watched from now on: those that are gone have told their last, and are not remembered."""
        self._tell()
        if self._keeping.remembers:
            self._keeping.keep(self.memories())

    async def run(self) -> None:
        """Keeps the memory each minute, and takes in what comes late, until cancelled."""
        while True:
            await asyncio.sleep(_LOOK_S if self._waits else _EVERY_S)
            if self._waits and self._keeping.awaits_memory:
                # Nothing can be kept either: the disk is away.
                continue
            if self._waits:
                self._join()
            self._keeping.keep(self.memories())

    def _join(self) -> None:
        self._waits = False
        kept = self._keeping.late_memory()
        if kept is not None:
            self.alarms_before = alarms_in(kept)
            self._pipeline.join(kept)
            self._house.join(kept)
            self._tell()

    def memories(self, *, whole: bool = False) -> Kept:
        """`whole`: with what the next minutes would bring anew."""
        return self._pipeline.memories(whole=whole)._replace(house=self._house.memory)

    def _tell(self) -> None:
        self._keeping.events_apart(self._pipeline.untold())
