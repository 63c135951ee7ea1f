"""What is fixed for the HTTP interface until the site file changes, and what it tells of the gateway's readiness."""

from dataclasses import dataclass

__all__ = ["HttpPlan", "Readiness"]


@dataclass(frozen=True, slots=True)
class HttpPlan:
    """Where metrics and pages are served. Loopback unless the site file says otherwise."""

    host: str
    port: int


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
