"""What is in use of the ways and connections that a line has."""

from typing import NamedTuple

from gateway.acquisition.link import Link
from gateway.acquisition.plan import LinePath
from gateway.acquisition.several import SeveralLinks
from gateway.acquisition.standby import StandbyLink

__all__ = ["WayInUse", "way_of"]


class WayInUse(NamedTuple):
    path: LinePath
    on_standby: bool
    open_connections: int


def way_of(link: Link, primary: LinePath) -> WayInUse:
    """`primary` is the path of a link that has no other."""
    path, on_standby = primary, False
    if isinstance(link, StandbyLink):
        path, on_standby, link = link.path, link.on_standby, link.link
    opened = link.open_connections if isinstance(link, SeveralLinks) else int(link.connected)
    return WayInUse(path, on_standby, opened)
