"""What is fixed for the HTTP interface until the site file changes."""

from dataclasses import dataclass

__all__ = ["HttpPlan"]


@dataclass(frozen=True, slots=True)
class HttpPlan:
    """Where metrics and pages are served. Loopback unless the site file says otherwise."""

    host: str
    port: int
