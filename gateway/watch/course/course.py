"""How the contents of a tank move, at one instant."""

from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType
from typing import NamedTuple

from gateway.reasons import Reason
from gateway.records import Figure
from gateway.tank_state import AlarmKind, LimitTime, Motion, Stillness

__all__ = ["Course"]


class Course(NamedTuple):
    """What is said of it is in `gateway.tank_state.TankState`."""

    motion: Motion
    since: datetime | None
    rate: Figure
    """m3/s of observed volume into the tank, net."""
    level_rate: Figure
    """m/s, upwards."""
    times: tuple[LimitTime, ...] = ()
    activity: str = ""
    findings: Mapping[AlarmKind, Reason] = MappingProxyType({})
    """What is wrong with the movement: `unscheduled_movement`, `wrong_way`, `level_frozen`."""
    still: Stillness | None = None
    activity_reason: Reason | None = None
    """What is to be said of the activity; None where there is none."""

    @property
    def at_rest(self) -> bool:
        """Whether it is known to be at rest."""
        return self.motion is Motion.AT_REST
