"""What is fixed for the HTTP interface until the site file changes, and what it tells of the gateway's readiness."""

from dataclasses import dataclass

__all__ = ["LARGEST_CONNECTIONS", "HttpPlan", "Readiness"]

LARGEST_CONNECTIONS = 64


@dataclass(frozen=True, slots=True)
class HttpPlan:
    """Where metrics and pages are served. Loopback unless the site file says otherwise."""

    host: str
    port: int
    names: tuple[str, ...] = ()
    """What it is called by those who ask, beside its addresses and `host`."""
    connections: int = LARGEST_CONNECTIONS
    """At most so many at once."""


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
    """Those without a sheet yet are in none of the three."""

    @property
    def text(self) -> str:
        """The same as one line for people."""
        return (
            f"{self.tanks_good} Good, {self.tanks_uncertain} Uncertain, {self.tanks_bad} Bad of {self.tanks} tanks; "
            f"{self.lines_connected} of {self.lines} lines connected"
        )
