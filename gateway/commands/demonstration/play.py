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


def working_day(today: datetime) -> Play:
    """The day of the depot, on the date of `today`. Times of its file are by the site's own clock."""
    with config_path("demo", "working_day.yaml").open(encoding="utf-8") as file:
        told: dict[str, Any] = yaml.load(file, yaml.BaseLoader)
    zone = ZoneInfo(load_demo(file=told["site"]).time_zone)
    begins = _instant(told["begins"], today.astimezone(zone), zone)
    acts = []
    earliest = begins
    for each in told["acts"]:
        at = _instant(each["at"], earliest.astimezone(zone), zone)
        earliest = at if at >= earliest else at + timedelta(days=1)
        acts.append(Act(earliest, each["who"], each["says"], each.get("asks", {})))
    return Play(told["site"], told["scenario"], begins, tuple(acts), float(told["time_factor"]))


def _instant(text: str, day: datetime, zone: ZoneInfo) -> datetime:
    return datetime.combine(day.date(), time.fromisoformat(text), zone).astimezone(UTC)
