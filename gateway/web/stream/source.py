"""What the live view is made from: the daemon hands it in, so that this stage knows nothing of the others."""

from collections.abc import Awaitable, Mapping, Sequence
from datetime import datetime
from typing import Any, Protocol

from gateway.payload.page_view import AtWork
from gateway.tank_record import TankRecord

__all__ = ["LiveSource"]


class LiveSource(Protocol):
    """All from the gateway's loop; nothing here waits, but for `site`."""

    @property
    def boot(self) -> str: ...

    def now(self) -> datetime:
        """UTC by the clock of the site, by which records are dated."""
        ...

    def machine_now(self) -> datetime:
        """UTC by the clock of the machine: the same, but where a simulated site has a time of its own."""
        ...

    def records(self) -> Sequence[TankRecord]:
        """The newest of each tank that has one."""
        ...

    def maintenance(self) -> Mapping[str, Sequence[AtWork]]:
        """By tank: of those that have any."""
        ...

    def alarms(self) -> Mapping[str, Any]:
        """Those members of the view that tell of alarms."""
        ...

    def others(self) -> Mapping[str, Any]:
        """The other members beside rows and totals, which somebody looks at once a second: they take longer to make."""
        ...

    def site_version(self) -> int:
        """Another one whenever `site` tells something else; asked several times a second."""
        ...

    def site(self) -> Awaitable[bytes]:
        """What is fixed, as JSON."""
        ...
