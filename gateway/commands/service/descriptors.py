"""How many descriptors a site needs, and whether this process may have them.

When they run out, whoever comes next gets none: an instrument that reconnects, the broker, a file. So they are counted
beforehand, and what the HTTP interface may take is what the others leave.
"""

import resource
from typing import NamedTuple

from gateway.settings.site import SiteSettings
from gateway.web.plan import BACKLOG, FEWEST_CONNECTIONS, LARGEST_CONNECTIONS

__all__ = ["Limits", "Needed", "fitting_connections", "limits", "needed_by", "raise_limit", "shortage"]

_ITSELF = 24
"""Of the process: three standard ones, the event loop's own, the runtime file, the service manager's socket."""
_SPARE = 24
"""Files that are opened for a moment, look-ups of names, connections that end while the next are made."""
_DOOR = 20
"""The socket by which people act, those who do so at once, and what finds out who they are."""
_LEDGER = 4
"""The file, what is to come into it, what its readers share, its lock."""
_OUTBOX = 2
"""The first two once more for each destination, which reads by a connection of its own."""


class Needed(NamedTuple):
    lines: int
    http: int
    deliveries: int
    spare: int

    @property
    def all(self) -> int:
        return sum(self)

    @property
    def without_http(self) -> int:
        return self.all - self.http


class Limits(NamedTuple):
    """RLIMIT_NOFILE of this process."""

    soft: int
    hard: int


def needed_by(settings: SiteSettings) -> Needed:
    """Each source and each destination counts as many as it says."""
    ledger = 0 if settings.ledger is None else _LEDGER + _OUTBOX * len(settings.deliveries)
    return Needed(
        lines=sum(source.descriptors for source in settings.sources if source.instruments),
        http=0 if settings.http is None else 1 + BACKLOG + LARGEST_CONNECTIONS,
        deliveries=sum(delivery.descriptors for delivery in settings.deliveries),
        spare=_ITSELF + _SPARE + _DOOR + ledger,
    )


def limits() -> Limits:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    return Limits(_number(soft), _number(hard))


def raise_limit(needed: Needed) -> Limits:
    """Raises the soft limit to the hard one where it is too low, and gives what then holds."""
    found = limits()
    if found.soft < needed.all and found.soft < found.hard:
        _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        try:
            resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
        except (OSError, ValueError):  # a hard limit of "unlimited" may be more than the system's own
            return found
    return limits()


def fitting_connections(needed: Needed, limit: int) -> int:
    """How many connections the HTTP interface may bear at once, so that the others have what they need."""
    return max(FEWEST_CONNECTIONS, min(LARGEST_CONNECTIONS, limit - needed.without_http - 1 - BACKLOG))


def shortage(needed: Needed, limit: int) -> str | None:
    """In words, what `limit` is too low for; None where it is not."""
    if limit >= needed.all:
        return None
    return (
        f"this site needs {needed.all} descriptors ({needed.lines} for lines, {needed.http} for HTTP, "
        f"{needed.deliveries} for deliveries, {needed.spare} beside) and the process may have {limit}; raise "
        "LimitNOFILE of the service, or `ulimit -Hn`"
    )


def _number(limit: int) -> int:
    return 2**31 if limit == resource.RLIM_INFINITY else limit
