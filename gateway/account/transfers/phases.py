"""The phases of a transfer and what may be done to it in each, as a plain table.

| phase       | start   | change | pause  | resume  | finish   | close  | cancel    |
|-------------|---------|--------|--------|---------|----------|--------|-----------|
| `proposed`  | running | stays  |        |         |          |        | cancelled |
| `planned`   | running | stays  |        |         |          |        | cancelled |
| `running`   |         | stays  | paused |         | settling | closed | cancelled |
| `paused`    |         | stays  |        | running | settling | closed | cancelled |
| `settling`  |         | stays  |        | running |          | closed | cancelled |
| `closed`    |         |        |        |         |          |        |           |
| `cancelled` |         |        |        |         |          |        |           |

By themselves: a movement is `proposed`; one that has come to rest goes from `running` to `settling`, and back where it
moves again; from `settling` to `closed` when it has rested for long enough and nothing holds its ticket back.
"""

from collections.abc import Mapping
from enum import StrEnum

from gateway.account.commands import AccountRefusedError
from gateway.account.transfer import Transfer, TransferPhase

__all__ = ["ALLOWED", "Deed", "phase_after"]

_PROPOSED, _PLANNED, _RUNNING, _PAUSED, _SETTLING, _CLOSED, _CANCELLED = (
    TransferPhase.PROPOSED,
    TransferPhase.PLANNED,
    TransferPhase.RUNNING,
    TransferPhase.PAUSED,
    TransferPhase.SETTLING,
    TransferPhase.CLOSED,
    TransferPhase.CANCELLED,
)


class Deed(StrEnum):
    """What people do to a transfer. To confirm one that is proposed is to start it."""

    START = "start"
    CHANGE = "change"
    PAUSE = "pause"
    RESUME = "resume"
    FINISH = "finish"
    CLOSE = "close"
    CANCEL = "cancel"


ALLOWED: Mapping[tuple[TransferPhase, Deed], TransferPhase] = {
    (_PROPOSED, Deed.START): _RUNNING,
    (_PROPOSED, Deed.CHANGE): _PROPOSED,
    (_PROPOSED, Deed.CANCEL): _CANCELLED,
    (_PLANNED, Deed.START): _RUNNING,
    (_PLANNED, Deed.CHANGE): _PLANNED,
    (_PLANNED, Deed.CANCEL): _CANCELLED,
    (_RUNNING, Deed.CHANGE): _RUNNING,
    (_RUNNING, Deed.PAUSE): _PAUSED,
    (_RUNNING, Deed.FINISH): _SETTLING,
    (_RUNNING, Deed.CLOSE): _CLOSED,
    (_RUNNING, Deed.CANCEL): _CANCELLED,
    (_PAUSED, Deed.CHANGE): _PAUSED,
    (_PAUSED, Deed.RESUME): _RUNNING,
    (_PAUSED, Deed.FINISH): _SETTLING,
    (_PAUSED, Deed.CLOSE): _CLOSED,
    (_PAUSED, Deed.CANCEL): _CANCELLED,
    (_SETTLING, Deed.CHANGE): _SETTLING,
    (_SETTLING, Deed.RESUME): _RUNNING,
    (_SETTLING, Deed.CLOSE): _CLOSED,
    (_SETTLING, Deed.CANCEL): _CANCELLED,
}
"""From phase and deed to the next phase. What is not here is refused, with what to do instead."""

_OVER = {
    _CLOSED: "it is closed, and its ticket stands",
    _CANCELLED: "it is cancelled",
}
_INSTEAD = {
    _PROPOSED: "it is proposed by a movement only: say what it is (start it), or cancel it",
    _PLANNED: "it is planned and has not begun: start it first, or cancel it",
    _RUNNING: "it runs: pause, finish, close or cancel it",
    _PAUSED: "it is paused: resume, finish, close or cancel it",
    _SETTLING: "nothing flows any more, and it waits until the tanks have settled: resume, close or cancel it",
    _CLOSED: "reverse its ticket; another can take its place",
    _CANCELLED: "begin another",
}


def phase_after(transfer: Transfer, deed: Deed) -> TransferPhase:
    """The phase that a deed leads to. Raises AccountRefusedError where the table has none."""
    phase = transfer.phase
    after = ALLOWED.get((phase, deed))
    if after is None:
        state = _OVER.get(phase, f"it is {phase.value}")
        raise AccountRefusedError(
            f"transfer {transfer.number}: there is nothing to {deed.value}: {state}", _INSTEAD[phase]
        )
    return after
