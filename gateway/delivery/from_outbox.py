"""What all destinations have in common that take what they deliver from the outbox alone."""

import asyncio
from collections.abc import Sequence

from gateway.delivery.contract import Outbox
from gateway.process.progress import CameRound
from gateway.status import DestinationStatus, Trouble

__all__ = ["nothing_to_do", "status_from_outbox"]

_TURN_S = 60.0


async def nothing_to_do(came_round: CameRound) -> None:
    """For ever: it lacks something that it cannot do without, and hangs by no means."""
    while True:
        came_round(_TURN_S)
        await asyncio.sleep(_TURN_S)


def status_from_outbox(
    name: str, connected: bool, troubles: Sequence[Trouble], outbox: Outbox | None
) -> DestinationStatus:
    """No live records; what waits, waits in the outbox."""
    backlog = None if outbox is None else outbox.backlog()
    return DestinationStatus(name, connected, 0, 0, 0, None, troubles=tuple(troubles), history=backlog)
