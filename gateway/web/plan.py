"""What is fixed for the HTTP interface until the site file changes, and what it tells of the gateway's readiness."""

from dataclasses import dataclass, field

from gateway.web.access.plan import AccessPlan

__all__ = ["BACKLOG", "FEWEST_CONNECTIONS", "LARGEST_CONNECTIONS", "HttpPlan", "Readiness"]

FEWEST_CONNECTIONS = 4
LARGEST_CONNECTIONS = 64
BACKLOG = 64
"""Connections that wait to be accepted. Each may bear a descriptor for the moment before another gives way to it."""


@dataclass(frozen=True, slots=True)
class HttpPlan:
    """Where metrics and pages are served. Loopback unless the site file says otherwise."""

    host: str
    port: int
    names: tuple[str, ...] = ()
    """What it is called by those who ask, beside its addresses and `host`."""
    connections: int = LARGEST_CONNECTIONS
    """At most so many at once."""
    access: AccessPlan = field(default_factory=AccessPlan)


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether every line is connected and every tank has a sheet that is not Bad, and how many are and have."""

    ready: bool
    lines: int
    lines_connected: int
    tanks: int
    tanks_good: int
    tanks_uncertain: int
    tanks_bad: int
    tanks_awaited: int = 0
    """Those without a sheet yet, which are in none of the three."""
    tanks_beyond_limits: int = 0
    """Ready says nothing of them: the gateway is well while a tank is too full."""

    @property
    def text(self) -> str:
        """The same as one line for people."""
        return (
            f"{self.tanks_good} Good, {self.tanks_uncertain} Uncertain, {self.tanks_bad} Bad of {self.tanks} tanks; "
            f"{self.tanks_beyond_limits} beyond a limit; "
            f"{self.lines_connected} of {self.lines} lines connected"
        )
