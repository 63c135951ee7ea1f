"""All alarms of the site for whoever acts on them: those of its tanks, and those of the gateway itself."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

from gateway.actions.alarm_door import AlarmCommand, Refusal
from gateway.clock import Clock
from gateway.history import GATEWAY
from gateway.house_watch import HouseWatch
from gateway.pipeline import Pipeline
from gateway.tank_state import AlarmStanding
from gateway.watch.alarms import commands

__all__ = ["SiteAlarms"]

_AGE_S = 100 * 365 * 86_400.0


class SiteAlarms:
    """The `AlarmDoor` of a running gateway. From its loop; never waits."""

    def __init__(self, pipeline: Pipeline, house: HouseWatch, clock: Clock) -> None:
        self._pipeline = pipeline
        self._house = house
        self._clock = clock

    def apply(self, tank: str, command: AlarmCommand, *, only_tried: bool = False) -> Refusal | None:
        until = None
        if command.duration_s is not None:
            now = datetime.fromtimestamp(self._clock.utc_ns() / 1e9, UTC)
            # What is longer is refused as this is; no calendar has its end.
            until = now + timedelta(seconds=min(command.duration_s, _AGE_S))
        made = commands.AlarmCommand(command.deed, command.alarm, command.by, command.why, until, command.raised)
        try:
            if tank == GATEWAY:
                self._house.act(made, only_tried=only_tried)
            else:
                self._pipeline.act(tank, made, only_tried=only_tried)
        except commands.AlarmRefusedError as error:
            return Refusal(f"{tank or 'gateway'} {error}", "`tank-gateway alarms` lists what there is")
        return None

    def standings(self) -> Mapping[str, tuple[AlarmStanding, ...]]:
        found = self._pipeline.standings()
        return {GATEWAY: self._house.standings, **found} if self._house.standings else found
