"""What a gateway was started on: its site file, where things are kept, and what takes a changed file over."""

import asyncio
from pathlib import Path
from typing import NamedTuple, Protocol

from gateway.site_desk.checking import Looks

__all__ = ["Reloading", "SiteSource"]


class Reloaded(Protocol):
    @property
    def code(self) -> int: ...
    @property
    def lines(self) -> tuple[str, ...]: ...


class Reloading(Protocol):
    """As `gateway.reloading.Reloader`."""

    turn: asyncio.Lock

    async def reload(self) -> Reloaded: ...


class SiteSource(NamedTuple):
    """The site file of a gateway that was started on one."""

    file: Path
    folder: Path | None
    """The state directory."""
    reloader: Reloading
    looks: Looks
