"""What a gateway remembers over a restart, in the daemon's hands: what it goes on from, and what is kept of it."""

import asyncio
from collections.abc import Sequence

from gateway.house_watch import HouseWatch
from gateway.keeping import Keeping
from gateway.kept_memory import Kept, alarms_in
from gateway.pipeline import Pipeline

__all__ = ["Remembering"]

_EVERY_S = 60.0


class Remembering:
    """All from the gateway's loop; never waits for a disk."""

    def __init__(self, keeping: Keeping, pipeline: Pipeline, house: HouseWatch) -> None:
        self._keeping = keeping
        self._pipeline = pipeline
        self._house = house
        self.alarms_before: Sequence[tuple[str, str]] = ()
        """Tank and name of those that the process before may have told of somewhere."""

    def go_on(self) -> None:
        """Go on from what was remembered, before anything is read."""
        kept = self._keeping.read_memory()
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
        """Keeps the memory each minute, until cancelled."""
        while True:
            await asyncio.sleep(_EVERY_S)
            self._keeping.keep(self.memories())

    def memories(self, *, whole: bool = False) -> Kept:
        """`whole`: with what the next minutes would bring anew."""
        return self._pipeline.memories(whole=whole)._replace(house=self._house.memory)

    def _tell(self) -> None:
        self._keeping.events_apart(self._pipeline.untold())
