"""Pure: what is fixed for the accounts of a site until its file changes. `gateway.settings` builds it. SI."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import time, tzinfo

__all__ = ["FLOW_SEEN_AFTER_S", "AccountPlan", "BalanceTolerance"]

FLOW_SEEN_AFTER_S = 10 * 60.0
"""Of a tank whose flow is worked out over five minutes, as is usual: twice as long."""


@dataclass(frozen=True, slots=True)
class BalanceTolerance:
    """How much gain or loss of a month is looked into. Never of a day: noise of a day is not loss.

    The defaults are the inventory control of 40 CFR 280.43(a) for underground tanks, as one choice.
    """

    of_throughput: float = 0.01
    fixed_m3: float = 130 * 0.003785411784
    """130 US gallons."""


@dataclass(frozen=True, slots=True)
class AccountPlan:
    """The accounts of one site."""

    zone: tzinfo
    time_zone: str
    """Key of the IANA time zone data base."""
    boundary: time = time(6, 0)
    """Of the day, in the zone of the site."""
    settling_s: float = 30 * 60.0
    """How long a tank rests after a movement before its sheet closes a transfer."""
    closing_age_s: float = 15 * 60.0
    """How old a sheet may be at a boundary and still be that of the day's close."""
    close_after_s: float = 10 * 60.0
    """How long after the boundary the day is closed by itself."""
    flow_seen_after_s: float = FLOW_SEEN_AFTER_S
    """How long a flow may go on before the watch calls it a movement: an opening at rest is older than that."""
    simulated: bool = False
    """Whether the site is: of simulated values elsewhere no ticket is made."""
    proposes: bool = True
    """Whether a movement that nobody announced is proposed as a transfer."""
    tolerance: BalanceTolerance = field(default_factory=BalanceTolerance)
    measures: Mapping[str, str] = field(default_factory=dict)
    """By product: on which measure its book is kept; where none is given GSV, and mass of a product that has no GSV."""
    owners: Mapping[str, str] = field(default_factory=dict)
    """By tank."""
