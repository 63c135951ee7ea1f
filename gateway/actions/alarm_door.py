"""How an action on an alarm is handed over to whoever keeps the alarms of a running gateway."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, NamedTuple, Protocol

from gateway.actions.requests import (
    Acknowledge,
    Action,
    AlarmAction,
    ReturnToService,
    Shelve,
    TakeOutOfService,
    Unshelve,
)
from gateway.tank_state import AlarmStanding
from gateway.watch.alarms.commands import AlarmVerb

__all__ = ["OF_GATEWAY", "AlarmCommand", "AlarmDoor", "Refusal", "command_of"]

OF_GATEWAY = "gateway"
"""What people write for a tank where the alarm is one of the gateway itself."""


class AlarmCommand(NamedTuple):
    """One deed of one person."""

    deed: AlarmVerb
    alarm: str
    """Its name."""
    by: str
    why: str = ""
    duration_s: float | None = None
    """How long a shelf or an absence from service lasts; None: it has no end by itself."""
    raised: datetime | None = None
    """UTC, of `acknowledge`: when the alarm that somebody saw was raised; None: whichever it is."""


class Refusal(NamedTuple):
    """Why nothing was done."""

    text: str
    hint: str = ""


class AlarmDoor(Protocol):
    """Synchronous, from the gateway's loop; never waits. `tank` is empty for an alarm of the gateway itself."""

    def apply(self, tank: str, command: AlarmCommand, *, only_tried: bool = False) -> Refusal | None:
        """None: it is done, and its events are on their way; `only_tried`: it would be, and nothing is."""
        ...

    def standings(self) -> Mapping[str, tuple[AlarmStanding, ...]]:
        """By tank: of every alarm that is not normal how it stands now."""
        ...


_DEEDS: Mapping[type[Any], AlarmVerb] = {
    Acknowledge: AlarmVerb.ACKNOWLEDGE,
    Shelve: AlarmVerb.SHELVE,
    Unshelve: AlarmVerb.UNSHELVE,
    TakeOutOfService: AlarmVerb.OUT_OF_SERVICE,
    ReturnToService: AlarmVerb.IN_SERVICE,
}


def command_of(action: Action, by: str) -> tuple[str, AlarmCommand] | None:
    """(tank, command); None: it is about no alarm."""
    if not isinstance(action, AlarmAction):
        return None
    duration_s = action.duration if isinstance(action, Shelve | TakeOutOfService) else None
    raised = action.raised if isinstance(action, Acknowledge) else None
    command = AlarmCommand(_DEEDS[type(action)], action.alarm, by, action.why or "", duration_s, raised)
    return ("" if action.tank == OF_GATEWAY else action.tank), command
