"""What a demo plays: its site, what becomes of the tanks, and what people do meanwhile."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import yaml

from gateway.commands.demonstration.site import load_demo
from gateway.resources import config_path
from gateway.settings.site import SiteSettings

__all__ = ["ORDINARY", "Act", "Play", "working_day"]


class Act(NamedTuple):
    """Something that a person does."""

    at: datetime
    """UTC."""
    who: str
    says: str
    """One line for whoever watches."""
    asks: Mapping[str, str]
    """What the gateway is asked for, as at its door; a transfer or a ticket is given by a tank. Empty: nothing."""


@dataclass(frozen=True)
class Play:
    site_file: str
    scenario: str
    begins: datetime | None = None
    """UTC; None: now."""
    acts: tuple[Act, ...] = ()
    time_factor: float = 1.0
    """Unless another is asked for."""

    def site(self, overrides: Mapping[str, str] | None = None) -> SiteSettings:
        """Raises SettingsError."""
        return load_demo(overrides, file=self.site_file, now=self.begins)


ORDINARY = Play("site.yaml", "demo")


def working_day(now: datetime) -> Play:
    """The next day of the depot that begins after `now`: what comes from a time gone by would pass for something that
    nobody keeps up to date. Times of its file are by the site's own clock."""
    with config_path("demo", "working_day.yaml").open(encoding="utf-8") as file:
        told: dict[str, Any] = yaml.load(file, yaml.BaseLoader)
    zone = ZoneInfo(load_demo(file=told["site"]).time_zone)
    begins = earliest = _next(told["begins"], now, zone)
    acts = []
    for each in told["acts"]:
        earliest = _next(each["at"], earliest, zone)
        acts.append(Act(earliest, each["who"], each["says"], each.get("asks", {})))
    return Play(told["site"], told["scenario"], begins, tuple(acts), float(told["time_factor"]))


def _next(text: str, after: datetime, zone: ZoneInfo) -> datetime:
    """UTC: when it is that time at the site, at `after` or next."""
    day = after.astimezone(zone).date()
    times = (datetime.combine(day + timedelta(days=more), time.fromisoformat(text), zone) for more in (0, 1))
    return next(found.astimezone(UTC) for found in times if found >= after)
